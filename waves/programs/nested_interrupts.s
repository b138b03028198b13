; nested_interrupts.s: an NMI within an IRQ, and BRK told from both
;
; At a harbour lock a skipper holds a call button down (IRQ, a level), the water
; alarm trips (NMI, an edge), and the program calls the keeper itself (BRK).
;
; In the waveform:
;   - irq_n goes low while I is set: nothing. After CLI one more instruction runs,
;     INC FIRST, and only then does the entry come.
;   - The entry makes two discarded reads, pushes PC high, PC low and P, in which
;     I is still 0 and B is 0, then reads FFFE and FFFF; only after that is I 1.
;   - The first visit leaves with irq_n still low: RTI brings I = 0 back and the
;     entry comes again at once. No instruction of the main program runs.
;   - In the second visit nmi_n falls. I does not mask it; it pushes P with I = 1.
;     D was set: NMOS still has it here, CMOS cleared it when IRQ was entered.
;   - BRK uses IRQ's vector but pushes B = 1 and the address two past its own.
;
; At the end, from 0010: P of IRQ, NMI and BRK 28 2F 38 (CMOS: 28 27 38); visits,
; alarms and breaks 02 01 01; FIRST 01, NEXT 01. SP is FF again and A still 6C.

P_IRQ   = $10
P_NMI   = $11
P_BRK   = $12
VISITS  = $13
ALARMS  = $14
BREAKS  = $15
FIRST   = $16
NEXT    = $17
KEEP    = $18           ; A of whoever was interrupted by IRQ or BRK
KEEP_N  = $19           ; by NMI: its own, for the two can nest
LAMP    = $1A
BUTTON  = $1B

        .org $0200
START:  LDX #$FF
        TXS
        SED             ; to be seen in each pushed P
        CLV
        CLC
        LDA #0
        STA VISITS
        STA ALARMS
        STA BREAKS
        STA FIRST
        STA NEXT
        LDA #$6C        ; to be found again after all of it

        .irq low        ; reset has set I: the button has to wait
        NOP
        CLI
        INC FIRST
        INC NEXT        ; the address of this is what IRQ pushes
        BRK             ; two bytes long: RTI comes back to the JMP
DONE:   JMP DONE

HANDLE: STA KEEP
        PLA             ; the pushed P, for which there is no other mode
        PHA
        AND #$10        ; B is nowhere but in the pushed byte
        BNE BROKE
        PLA
        PHA
        STA P_IRQ
        INC VISITS
        LDA VISITS
        CMP #2
        BNE LEAVE
        .nmi            ; the edge falls as this is fetched, and is served after it
        LDA #0
        STA LAMP
        .irq high       ; this store stands for the reply: the button is let go
        STA BUTTON
LEAVE:  LDA KEEP
        RTI
BROKE:  PLA
        PHA
        STA P_BRK
        INC BREAKS
        LDA KEEP
        RTI

ALARM:  STA KEEP_N
        PLA
        PHA
        STA P_NMI
        INC ALARMS
        LDA KEEP_N
        RTI

        .org $FFFA
        .word ALARM, START, HANDLE
