; Sends a text over the UART of system.v, which has to be as fast as the loop for both to agree.
DATA   = $D000
STATUS = $D001          ; bit 7: the last byte is gone
        .org $0200
        LDX #0
NEXT:   LDA TEXT,X
        BEQ DONE
WAIT:   BIT STATUS
        BPL WAIT
        STA DATA
        INX
        BNE NEXT
DONE:   JMP DONE
TEXT:   .byte 'H', 'e', 'l', 'l', 'o', 10, 0
        .org STATUS
        .byte $80       ; what is read here in a run without a UART
