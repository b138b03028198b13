; decimal_count.s: a counter of four decimal digits, up past 0099 and back
;
; A harbour lock counts the barges it has passed in packed decimal, two digits
; a byte, so that a display can show the bytes as they are. Five pass while the
; counter stands at 0097; then three are found to have been counted twice.
;
; In the waveform: at 99 + 01 the binary chain gives 9A, the correction makes it
; 00, and C = 1 carries into the next byte's ADC. Look at N and Z there. NMOS
; takes Z from the uncorrected 9A and N from a sum corrected halfway: a zero
; result shows N = 1, Z = 0; CMOS shows N = 0, Z = 1 and takes a clock more.
; The makers call N, V and Z invalid after decimal ADC and SBC on NMOS. C is
; right on both, so test C, or load the result back and test that.
;
; INC is never decimal: 09 becomes 0A with D set. Nor are compares.
;
; At the end PEAK (0012) = 02 01, COUNT (0010) = 99 00, PLAIN = 0A, and ROLL, the
; flags of 99 + 01, is BD on NMOS and 3F on CMOS. BY_Z counts the roll-overs that
; BNE saw: 00 on NMOS, 01 on CMOS. BY_C counts those that BCC saw: 01 on both.

COUNT   = $10           ; two bytes, the low one first
PEAK    = $12
ROLL    = $14
BY_Z    = $15
BY_C    = $16
PLAIN   = $17

        .org $0200
START:  LDX #$FF
        TXS
        CLV             ; so that all of ROLL is known
        LDA #0
        STA COUNT+1
        STA BY_Z
        STA BY_C
        LDA #$97
        STA COUNT
        LDY #5
UP:     JSR PASS
        DEY
        BNE UP
        LDA COUNT
        STA PEAK
        LDA COUNT+1
        STA PEAK+1

        LDY #3
DOWN:   SED
        SEC             ; C = 1: nothing borrowed yet
        LDA COUNT
        SBC #$01
        STA COUNT
        LDA COUNT+1
        SBC #$00        ; at 0100 the low byte's borrow, C = 0, comes in here
        STA COUNT+1
        CLD
        DEY
        BNE DOWN

        SED
        LDA #$09
        STA PLAIN
        INC PLAIN
        CLD
DONE:   JMP DONE

PASS:   SED
        CLC
        LDA COUNT
        ADC #$01
        STA COUNT
        PHP             ; still ADC's flags: a store changes none
        BNE NOT_Z
        INC BY_Z
NOT_Z:  BCC NOT_C       ; INC writes N and Z but not C
        INC BY_C
        PLA
        PHA
        STA ROLL
NOT_C:  PLP
        LDA COUNT+1
        ADC #$00        ; one more if the low byte rolled over
        STA COUNT+1
        CLD
        RTS
