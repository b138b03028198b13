; signed_compare.s: which of two signed bytes is less
;
; A tide gate may open only while the sea stands lower than the harbour. Both
; gauges read decimetres above or below the quay mark, -128 to +127. Two rules
; judge the same four pairs of readings, and a 1 says "the sea is lower":
;
;   by sign   CMP, then BMI: right only while the difference fits in a byte
;   by rule   SBC, then N XOR V: right for all 65,536 pairs
;
; In the waveform: where the SBC of the first two pairs runs, the two highest
; carries of the chain differ, and that is V. N shows the sign of a difference
; that did not fit, so it is the wrong one. CMP drives the same chain with the
; same operands, but V keeps what the SBC of the pair before left in it: a BVS
; after CMP tests an older instruction.
;
; An emulator that lets CMP write V, or that takes N after CMP for "less",
; parts from the hardware here. At the end BY_SIGN = 06 and BY_RULE = 0A.

SEA     = $20
HARBOUR = $21
BY_SIGN = $22           ; a verdict a bit, the first pair's highest
BY_RULE = $23

        .org $0200
START:  LDX #$FF
        TXS
        CLD             ; D is unknown after reset on NMOS; this SBC is binary
        LDA #0
        STA BY_SIGN
        STA BY_RULE

        LDX #-60        ; -60 - +100 = -160 does not fit: it shows as +96
        LDY #100
        JSR JUDGE       ; lower. By sign 0 (wrong), by rule 1
        LDX #100        ; +100 - -60 = +160 does not fit: it shows as -96
        LDY #-60
        JSR JUDGE       ; not lower. By sign 1 (wrong), by rule 0
        LDX #-20        ; -50 fits
        LDY #30
        JSR JUDGE       ; lower. Both 1
        LDX #30         ; +50 fits
        LDY #-20
        JSR JUDGE       ; not lower. Both 0
DONE:   JMP DONE

JUDGE:  STX SEA
        STY HARBOUR
        LDA SEA
        CMP HARBOUR
        BMI LOWER
        CLC
        BCC NOTE        ; always taken: C was cleared just above
LOWER:  SEC
NOTE:   ROL BY_SIGN

        LDA SEA
        SEC             ; unlike CMP, SBC takes a borrow from C = 0
        SBC HARBOUR
        BVC FITS
        EOR #$80        ; it did not fit: turn the sign round, N XOR V
FITS:   ASL A           ; the sign goes to C
        ROL BY_RULE
        RTS
