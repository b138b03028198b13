; pointer_wrap.s: pointers that lie at the end of a page
;
; Two lockers: 5A lies in the right one, A5 in the wrong one. A pointer in page
; zero whose low byte lies at 00FF has its high byte at 0000, never at 0100, on
; every member. JMP ($02FF) finds its high byte at 0200 on NMOS, which drops the
; carry, and at 0300 on CMOS, which takes a clock more to carry it on.
;
; In the waveform: the address bus in the two clocks that read a pointer, and in
; JMP the carry `c8` of FF + 1, which NMOS has as well and does not use.
;
; An emulator that reads the high byte at 0100 finds A5.
;
; At the end, from 0010: 5A 5A 01 on NMOS and 5A 5A 02 on CMOS: what LDA ($FF),Y
; found, what LDA ($EF,X) found, and which way JMP ($02FF) went.

FOUND_Y = $10
FOUND_X = $11
WAY     = $12

        .org $0310
START:  LDA #<LOCKER
        STA $FF
        LDA #>LOCKER
        STA $00
        LDA #>WRONG
        STA $0100       ; what a pointer must not find
        LDY #0
        LDA ($FF),Y
        STA FOUND_Y
        LDX #$10
        LDA ($EF,X)     ; the index wraps in page zero too: EF + 10 = FF
        STA FOUND_X
        JMP ($02FF)

        .org $0200
        .byte >DROPPED
        .org $02FF
        .byte <DROPPED, >CARRIED  ; both go to the same place in their pages

        .org $0480
DROPPED: LDA #1
        STA WAY
DONE:   JMP DONE

        .org $0580
CARRIED: LDA #2
        STA WAY
        JMP DONE

        .org $0640
LOCKER: .byte $5A
        .org $0740
WRONG:  .byte $A5
