; table_walk.s: a table that goes over the end of a page, walked by (zp),Y
;
; The readings of a weather mast lie at 20FC to 2101. Y goes from 5 down to 0 and
; each reading is added to a sum. Where Y carries into the high byte of the
; address the reading takes a clock more, and the clock before it reads in the
; page that was left: at 2001 and 2000 on NMOS, at the instruction's own last
; byte on CMOS.
;
; In the waveform: `c8` in the clock that reads the pointer's high byte, the carry
; out of Y + FC. It decides whether there is a clock more.
;
; An emulator that loses that carry reads at 2001 and 2000, where nothing lies.
;
; At the end, from 0010: 45 01 02 30, which is the sum 0145, how many readings lie
; beyond the page's end, and the reading that was added last.

SUM     = $10
BEYOND  = $12
LAST    = $13
POINTER = $20

        .org $0200
START:  CLD
        LDA #<TABLE
        STA POINTER
        LDA #>TABLE
        STA POINTER+1
        LDA #0
        STA SUM
        STA SUM+1
        STA BEYOND
        LDY #COUNT-1
NEXT:   CLC
        LDA SUM
        ADC (POINTER),Y ; six clocks beyond the page's end, five before it
        STA SUM
        BCC SMALL
        INC SUM+1
SMALL:  CPY #INSIDE
        BCC NEAR
        INC BEYOND
NEAR:   LDA (POINTER),Y
        STA LAST
        DEY
        BPL NEXT
DONE:   JMP DONE

        .org $20FC
TABLE:  .byte $30, $41, $52, $63, $0F, $10
COUNT   = *-TABLE
INSIDE  = $2100-TABLE   ; so many of them
