; unsigned_compare.s: which of two unsigned numbers is less
;
; A grain store takes a sack when the free room in a bin, in kilograms, is not
; less than the sack's weight. Neither has a sign: 0 to 255. Two rules judge the
; same four pairs, and a 1 says "there is room":
;
;   by carry  CMP leaves C = 1 where no borrow was needed: room >= sack, always
;   by sign   BPL after CMP: wrong if room - sack is not within -128 to +127
;
; In the waveform: CMP adds room + NOT sack + 1, and C is the chain's carry out.
; The 1 enters at the bottom whatever C was: the first CMP has equal operands and
; C = 0, and an emulator that lets CMP use C finds a borrow there.
; Equal is C = 1 with Z = 1, so "more" is BEQ tested before BCS.
;
; Numbers of two bytes: CMP for the low bytes, SBC for the high ones, as C hands
; the borrow on. Only C of the last step counts; Z is the high byte's alone.
;
; At the end BY_CARRY = 0C, BY_SIGN = 0A, WIDE = 02 and MORE = 01.

ROOM     = $20
SACK     = $21
BY_CARRY = $22          ; a verdict a bit, the first pair's highest
BY_SIGN  = $23
WIDE     = $24
MORE     = $25
FREE     = $26          ; two bytes, the low one first
LOAD     = $28

        .org $0200
START:  LDX #$FF
        TXS
        CLD
        LDA #0
        STA BY_CARRY
        STA BY_SIGN
        STA WIDE
        STA MORE

        LDX #50
        LDY #50
        JSR JUDGE       ; 50 >= 50: both 1; the difference is 0
        LDX #200
        LDY #50
        JSR JUDGE       ; 200 >= 50. By sign 0 (wrong): 150 has bit 7 set
        LDX #10
        LDY #240
        JSR JUDGE       ; 10 < 240. By sign 1 (wrong): -230 shows as 26
        LDX #10
        LDY #20
        JSR JUDGE       ; 10 < 20: both 0

        LDX #<300       ; 300 >= 255, though 44, its low byte, is less
        LDY #>300
        STX FREE
        STY FREE+1
        LDX #<255
        LDY #>255
        STX LOAD
        STY LOAD+1
        JSR JUDGE2      ; 1
        INC LOAD+1      ; now 511, whose high byte equals that of 300
        JSR JUDGE2      ; 0: the low bytes decide, through the borrow
        LDA #50
        CMP #49
        BEQ DONE        ; equal is not more
        BCC DONE        ; less is not either
        INC MORE
DONE:   JMP DONE

JUDGE:  STX ROOM
        STY SACK
        LDA ROOM
        CLC             ; to show that CMP does not care
        CMP SACK
        PHP             ; ROL changes C and N, and the second rule needs N
        ROL BY_CARRY
        PLP
        BPL ROOMY
        CLC
        BCC NOTE        ; always taken
ROOMY:  SEC
NOTE:   ROL BY_SIGN
        RTS

JUDGE2: LDA FREE
        CMP LOAD
        LDA FREE+1      ; loads leave C alone
        SBC LOAD+1
        ROL WIDE
        RTS
