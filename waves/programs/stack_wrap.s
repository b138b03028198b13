; stack_wrap.s: the stack that never leaves page one
;
; A lock keeper's program lets the stack run over its lower end. The pointer has
; eight bits and the address is 0100 + SP: below 0100 comes 01FF, above 01FF
; comes 0100. A call whose two bytes lie on either side of the seam works as any
; other does.
;
; In the waveform: SP and the address bus in the clocks of JSR and RTS. JSR reads
; its first address byte, makes a discarded read at 0100 + SP, pushes the high
; byte at 0100 and the low byte at 01FF, and only then reads its second address
; byte. RTS goes back up: SP moves before each of its two reads. A push writes
; first and moves SP down after.
;
; TXS changes no flag, so BNE after it tests an older byte; TSX sets N and Z.
;
; An emulator that lets SP borrow from or carry into the page reads or writes at
; 00FF or 0200, where the two marks 5A and A5 lie.
;
; At the end, from 0010: FE 00 03 13 77 FF 42 01, and the marks are untouched.

INSIDE  = $10           ; SP within the call
AFTER   = $11           ; SP after it
HIGH    = $12           ; the pushed address: that of JSR's last byte
LOW     = $13
PULLED  = $14
OUTSIDE = $15           ; SP after a push at 0100
ABOVE   = $16           ; what a pull at SP = FF reads
QUIET   = $17           ; 01 if TXS left Z alone

        .org $0300
START:  LDA #0
        STA QUIET
        LDX #$FF
        LDA #0          ; Z = 1
        TXS             ; a transfer of FF that leaves Z = 1
        BNE LOUD
        INC QUIET
LOUD:   LDX #$00
        TXS             ; the next push goes to 0100, the one after to 01FF
        NOP             ; a place to look at SP before the call
        JSR WITHIN
        TSX             ; SP = 00 again: Z = 1
        BNE DONE
        STX AFTER
        LDA $0100       ; the stack can be read as memory
        STA HIGH
        LDA $01FF
        STA LOW

        LDA #$42
        PHA             ; at 0100; SP goes from 00 to FF
        TSX             ; N = 1, for FF is negative as a number
        BPL DONE
        STX OUTSIDE
        LDA #0
        PLA             ; SP goes from FF to 00, then 0100 is read, not 0200
        STA ABOVE
DONE:   JMP DONE

WITHIN: TSX
        STX INSIDE
        LDA #$77
        PHA             ; at 01FE, right below the return address
        LDA #0
        PLA
        STA PULLED
        RTS

        .org $00FF
        .byte $5A
        .org $0200
        .byte $A5
