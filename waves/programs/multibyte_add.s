; multibyte_add.s: a sum of four bytes, the carry handed on
;
; The weigher of a grain store keeps a total in grams: four bytes, the low one
; first. A draft of 200 g is added where the total stands at 00FFFF9C, so that
; the carry out of the lowest byte has to travel through every other one.
;
; In the waveform: in each ADC after the first, the carry that enters the chain
; is the one that left it in the ADC before. Between them LDA, STA and even INC
; change N and Z but leave C where it is. The fourth ADC of the second draft
; shows V = 1 with C = 0: as a signed number the total is out of range, as an
; unsigned one it is not. V of the three lower bytes means nothing.
;
; An emulator that writes C in INC, or that forms C or V before the incoming
; carry is added, goes wrong here.
;
; At the end TOTAL (0010) = 64 00 00 80 and LOST (0018) = 64 FF FF 00, the sum
; made with a CLC before every byte. FLAGS has N = 1, V = 1, Z = 0, C = 0: F4.

TOTAL   = $10
DRAFT   = $14
LOST    = $18
DRAFTS  = $1C
FLAGS   = $1D

        .org $0200
START:  LDX #$FF
        TXS
        CLD
        LDA #0
        STA DRAFTS
        STA DRAFT+1
        STA DRAFT+2
        STA DRAFT+3
        STA TOTAL+3
        LDA #$9C
        STA TOTAL
        LDA #$FF
        STA TOTAL+1
        STA TOTAL+2
        LDA #200
        STA DRAFT

        CLC             ; the mistake: each byte starts with no carry
        LDA TOTAL
        ADC DRAFT
        STA LOST
        CLC
        LDA TOTAL+1
        ADC DRAFT+1
        STA LOST+1
        CLC
        LDA TOTAL+2
        ADC DRAFT+2
        STA LOST+2
        CLC
        LDA TOTAL+3
        ADC DRAFT+3
        STA LOST+3      ; 00FFFF64: no carry ever left its byte

        JSR ADD         ; 00FFFF9C + 000000C8 = 01000064
        LDA #0
        STA DRAFT
        LDA #$7F
        STA DRAFT+3
        JSR ADD         ; 01000064 + 7F000000 = 80000064
        PHP
        PLA
        STA FLAGS
DONE:   JMP DONE

ADD:    CLC             ; once: only the lowest byte has no carry coming in
        LDA TOTAL
        ADC DRAFT
        STA TOTAL
        INC DRAFTS      ; between two ADCs on purpose: INC is no addition
        LDA TOTAL+1
        ADC DRAFT+1
        STA TOTAL+1
        LDA TOTAL+2
        ADC DRAFT+2
        STA TOTAL+2
        LDA TOTAL+3
        ADC DRAFT+3     ; its C and V are those of the whole sum
        STA TOTAL+3
        RTS
