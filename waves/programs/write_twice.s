; write_twice.s: the byte that is written back unmodified
;
; INC, DEC and the shifts of memory write the byte back as it was before they
; write the result, on NMOS. CMOS reads it twice instead, and writes once. Memory
; cannot tell. A register that does something each time it is written can: let one
; that counts its writes lie at 4000, and five instructions count ten there on
; NMOS, five on CMOS.
;
; In the waveform: `write` and `data_out` in the last two clocks of each of the
; five. With X there is another clock before them that writes nothing, for the
; carry into the page that might have come.
;
; At the end, from 0010: 05 02, which is the tally of the five by software, and
; what INC, INC, ASL, INC and ROR have made of 00 at 4000.

COUNTER = $4000
TALLY   = $10
LEFT    = $11

        .org $0200
START:  LDA #0
        STA COUNTER
        STA TALLY
        LDX #0
        CLC
        INC COUNTER     ; 00, then 01
        INC TALLY
        INC COUNTER,X   ; 01, then 02
        INC TALLY
        ASL COUNTER     ; 02, then 04
        INC TALLY
        INC COUNTER     ; 04, then 05
        INC TALLY
        ROR COUNTER,X   ; 05, then 02
        INC TALLY
        LDA COUNTER
        STA LEFT
DONE:   JMP DONE
