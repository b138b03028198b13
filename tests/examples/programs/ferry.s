; A ferry's office, day after day without end: it weighs and sorts the carts that wait, adds up fares
; in packed decimal, finds a passenger in the list by name, works out seats with products and
; quotients, follows the day's orders with a small interpreter, and meanwhile sends a line to the
; pier, bit by bit, whenever a timer asks. Every addressing mode is used. What can be checked on the
; spot is; what is wrong ends at WRONG.

DAY     = $10           ; two bytes
FARES   = $12           ; three bytes, packed decimal
SEED    = $15
FACTOR  = $16
PRODUCT = $18           ; two bytes
DIVISOR = $1A
REST    = $1B
NAME    = $1C           ; pointer into the list
WANTED  = $1E           ; pointer to a name
FOUND   = $20           ; two bytes: its number in the list
ORDER   = $22           ; pointer to the next order
LEVEL   = $24           ; of the interpreter's stack
STACK   = $28           ; eight bytes
SENT    = $30           ; pointer to the next character
SHIFT   = $32           ; what is left of one
BITS    = $33
PAGES   = $40           ; four pointers
CARTS   = $0400         ; 64 weights
LOG     = $0500
PORT    = $7F00         ; bit 0 is the line to the pier
TIMER   = 104           ; clocks of a bit

        .org $C000
START:  LDX #$FF
        TXS
        CLD
        LDA #0
        TAX
CLEAR:  STA $00,X
        STA LOG,X
        INX
        BNE CLEAR
        LDA #$2D
        STA SEED
        LDA #<LINE
        STA SENT
        LDA #>LINE
        STA SENT+1
        .irq low +50
        CLI
MORNING:
        JSR WEIGH
        JSR SORT
        JSR FARE
        JSR SEATS
        JSR SEARCH
        JSR ORDERS
        JSR NOTE
        INC DAY
        BNE MORNING
        INC DAY+1
        JMP MORNING
WRONG:  JMP WRONG

; 64 weights out of a shift register with feedback.
WEIGH:  LDY #63
WEIGHT: LDA SEED
        LSR A
        BCC NOFEED
        EOR #$B4
NOFEED: STA SEED
        STA CARTS,Y
        DEY
        BPL WEIGHT
        RTS

; Insertion sort, upwards; then the order is held to be one.
SORT:   LDX #1
NEXT:   LDA CARTS,X
        STA REST
        TXA
        TAY
DOWN:   LDA CARTS-1,Y
        CMP REST
        BCC PLACE
        BEQ PLACE
        STA CARTS,Y
        DEY
        BNE DOWN
PLACE:  LDA REST
        STA CARTS,Y
        INX
        CPX #64
        BNE NEXT
        LDX #62
ORDERED:
        LDA CARTS+1,X
        CMP CARTS,X
        BCC BAD
        DEX
        BPL ORDERED
        RTS
BAD:    JMP WRONG

; What the carts pay, by weight: 1.25, 2.50 or 4.75, as packed decimal.
FARE:   SED
        LDX #0
PAY:    LDY #0
        LDA CARTS,X
        CMP #80
        BCC CLASS
        INY
        CMP #160
        BCC CLASS
        INY
CLASS:  CLC
        LDA FARES
        ADC CENTS,Y
        STA FARES
        LDA FARES+1
        ADC UNITS,Y
        STA FARES+1
        LDA FARES+2
        ADC #0
        STA FARES+2
        INX
        CPX #64
        BNE PAY
        SEC             ; the pier's share
        LDA FARES
        SBC #$50
        STA FARES
        LDA FARES+1
        SBC #$12
        STA FARES+1
        LDA FARES+2
        SBC #0
        STA FARES+2
        CLD
        RTS
CENTS:  .byte $25,$50,$75
UNITS:  .byte $01,$02,$04

; Seats: a product of two bytes, and back by division: quotient times divisor and rest are the number.
SEATS:  LDX #15
SEAT:   LDA CARTS,X
        ORA #1
        STA FACTOR
        LDA CARTS+32,X
        STA FACTOR+1
        JSR TIMES
        LDA PRODUCT
        PHA
        LDA PRODUCT+1
        PHA
        LDA FACTOR
        STA DIVISOR
        JSR OVER
        LDA REST
        BNE ODD
        LDA PRODUCT
        CMP FACTOR+1
        BNE ODD
        PLA
        STA LOG+$20,X
        PLA
        STA LOG+$30,X
        DEX
        BPL SEAT
        RTS
ODD:    JMP WRONG
TIMES:  LDA #0
        STA PRODUCT+1
        LDY #8
        LDA FACTOR+1
        STA PRODUCT
        LDA #0
BIT1:   LSR PRODUCT
        BCC NOADD
        CLC
        ADC FACTOR
NOADD:  ROR A
        ROR REST
        DEY
        BNE BIT1
        STA PRODUCT+1
        LDA REST
        STA PRODUCT
        RTS
OVER:   LDA #0
        LDY #16
BIT2:   ASL PRODUCT
        ROL PRODUCT+1
        ROL A
        BCS TAKE
        CMP DIVISOR
        BCC SMALL
TAKE:   SBC DIVISOR
        INC PRODUCT
SMALL:  DEY
        BNE BIT2
        STA REST
        RTS

; The day's passenger, looked for in the list from its beginning.
SEARCH: LDA DAY
        AND #7
        ASL A
        TAX
        LDA LOOKED,X
        STA WANTED
        LDA LOOKED+1,X
        STA WANTED+1
        LDA #<LIST
        STA NAME
        LDA #>LIST
        STA NAME+1
        LDA #0
        STA FOUND
        STA FOUND+1
TRY:    LDY #0
LETTER: LDA (NAME),Y
        CMP (WANTED),Y
        BNE OTHER
        CMP #0
        BEQ HERE
        INY
        BNE LETTER
OTHER:  LDX #NAME
        LDA (0,X)
        BEQ ENDED
SKIP:   INC NAME
        BNE LOW
        INC NAME+1
LOW:    LDA (0,X)
        BNE SKIP
        INC NAME
        BNE ONE
        INC NAME+1
ONE:    INC FOUND
        BNE TRY
        INC FOUND+1
        JMP TRY
ENDED:  LDA DAY         ; one of eight is not on board
        AND #7
        CMP #7
        BNE LOST
        LDA #$FF
        STA FOUND
HERE:   LDX FOUND
        STX LOG+$10
        BIT FOUND
        BVS FAR
        RTS
FAR:    INC LOG+$11
        RTS
LOST:   JMP WRONG

; Orders: a byte each, and what it needs behind it; each is a routine that goes on at FETCH.
ORDERS: LDA #<TODAY
        STA ORDER
        LDA #>TODAY
        STA ORDER+1
        LDA #0
        STA LEVEL
FETCH:  LDY #0
        LDA (ORDER),Y
        TAX
        LDA ROUTES,X
        STA JUMP
        LDA ROUTES+1,X
        STA JUMP+1
        LDA #1
        JSR STEP
        JMP (JUMP)
STEP:   CLC
        ADC ORDER
        STA ORDER
        BCC STAYS
        INC ORDER+1
STAYS:  RTS
PUSHED: LDY #0
        LDA (ORDER),Y
        LDX LEVEL
        STA STACK,X
        INC LEVEL
        LDA #1
        JSR STEP
        JMP FETCH
ADDED:  JSR TWO
        CLC
        ADC STACK+1,X
        STA STACK,X
        JMP FETCH
LESS:   JSR TWO
        SEC
        SBC STACK+1,X
        STA STACK,X
        JMP FETCH
COPIED: LDX LEVEL
        LDY STACK-1,X
        STY STACK,X
        INC LEVEL
        JMP FETCH
UNLESS: DEC LEVEL
        LDX LEVEL
        LDA STACK,X
        PHP
        LDY #0
        LDA (ORDER),Y
        PLP
        BEQ PAST
        JSR STEP
        DEC ORDER+1     ; an order goes back by 256 and on by its byte
        JMP FETCH
PAST:   LDA #1
        JSR STEP
        JMP FETCH
TOLD:   DEC LEVEL
        LDX LEVEL
        LDY STACK,X
        LDX #2
        STY LOG+$40
        STX LOG+$41
        LDX STACK,Y
        JMP FETCH
DONE:   RTS
TWO:    DEC LEVEL
        LDX LEVEL
        DEX
        LDA STACK,X
        RTS
ROUTES: .word DONE,PUSHED,ADDED,LESS,COPIED,UNLESS,TOLD
JUMP    = $02           ; where JMP (JUMP) goes
; 12, then 3 less until nothing is left: orders are twice their number.
TODAY:  .byte 2,12
ROUND:  .byte 2,3,6,8,10,<(ROUND-AFTER+1)
AFTER:  .byte 2,5,2,1,4,12,0

; A line of the log, the top bit of each byte moved about, through a pointer of the day.
NOTE:   TSX
        LDA $0101,X     ; where it goes back to
        STA LOG+$12
        LDA DAY
        AND #3
        ASL A
        TAX
        LDA #<LOG
        STA PAGES,X
        LDA #>LOG
        STA PAGES+1,X
        LDA DAY
        STA (PAGES,X)
        LDY #2
        LDA FARES,Y
        STA LOG+1,Y
        DEY
        LDX FARES,Y
        STX LOG+2
        LDX #7
TURN:   ASL LOG+$20,X
        ROL LOG+$28,X
        LSR LOG+$30,X
        ROR LOG+$38,X
        INC LOG+$48,X
        DEC LOG+$50,X
        DEX
        BPL TURN
        LDX #3
ZERO:   INC STACK,X
        DEC STACK+4,X
        ASL STACK,X
        LSR STACK+4,X
        ROL STACK,X
        ROR STACK+4,X
        LDY STACK,X
        STY STACK+4,X
        DEX
        BPL ZERO
        LDY #4
        LDX STACK,Y
        STX STACK+1
        STX STACK,Y
        LDA STACK,X
        EOR LOG,Y
        AND LOG+1,Y
        ORA LOG+2,Y
        STA LOG+3,Y
        SEI
        NOP
        CLI
        CLV
        RTS

; The timer: a start bit, eight of data, a stop bit; then the next character, the line for ever.
TICK:   .irq high
        PHA
        .irq low +TIMER
        TXA
        PHA
        TYA
        PHA
        LDX BITS
        BEQ FIRST
        DEC BITS
        BEQ STOP
        LSR SHIFT
        LDA #0
        ROL A
        STA PORT
        JMP TOCK
STOP:   LDA #1
        STA PORT
        JMP TOCK
FIRST:  LDY #0
        LDA (SENT),Y
        BNE SOME
        LDA #<LINE
        STA SENT
        LDA #>LINE
        STA SENT+1
        LDA (SENT),Y
SOME:   STA SHIFT
        STY PORT
        LDA #9
        STA BITS
        INC SENT
        BNE TOCK
        INC SENT+1
TOCK:   PLA
        TAY
        PLA
        TAX
        PLA
        RTI
BROKEN: RTI

LINE:   .byte "THE FERRY LEAVES AT NOON",0
LOOKED: .word NAME0,NAME1,NAME2,NAME3,NAME4,NAME5,NAME6,NOBODY
NOBODY: .byte "NO ONE AT ALL",0
NAME0:  .byte "ROSA DOGWOOD",0
NAME1:  .byte "WIM CEDAR",0
NAME2:  .byte "WIM MAPLE",0
NAME3:  .byte "DORA KAPOK",0
NAME4:  .byte "HANNA YEW",0
NAME5:  .byte "OTTO IVY",0
NAME6:  .byte "WIM JUNIPER",0

; The passengers.
LIST:
        .byte "KARL ELM",0
        .byte "MILO UMBRA",0
        .byte "BEN CEDAR",0
        .byte "ROSA DOGWOOD",0
        .byte "LENA SPRUCE",0
        .byte "BEN QUINCE",0
        .byte "GUS BIRCH",0
        .byte "CLEO NUTMEG",0
        .byte "NORA CEDAR",0
        .byte "HANNA CEDAR",0
        .byte "ROSA NUTMEG",0
        .byte "BEN SPRUCE",0
        .byte "DORA HAZEL",0
        .byte "URI UMBRA",0
        .byte "SAM BIRCH",0
        .byte "SAM SPRUCE",0
        .byte "MILO BIRCH",0
        .byte "HANNA BIRCH",0
        .byte "ROSA ELM",0
        .byte "JUNE NUTMEG",0
        .byte "EMIL ROWAN",0
        .byte "DORA SPRUCE",0
        .byte "JUNE ROWAN",0
        .byte "VERA FIR",0
        .byte "SAM UMBRA",0
        .byte "GUS LARCH",0
        .byte "DORA ROWAN",0
        .byte "WIM CEDAR",0
        .byte "TESS GORSE",0
        .byte "PIA VINE",0
        .byte "YARA KAPOK",0
        .byte "OTTO SPRUCE",0
        .byte "OTTO LARCH",0
        .byte "JUNE HAZEL",0
        .byte "ZOE FIR",0
        .byte "WIM HAZEL",0
        .byte "CLEO SPRUCE",0
        .byte "JUNE QUINCE",0
        .byte "PIA KAPOK",0
        .byte "XENIA OAK",0
        .byte "JUNE TEAK",0
        .byte "CLEO DOGWOOD",0
        .byte "QUIN NUTMEG",0
        .byte "FAYE KAPOK",0
        .byte "EMIL PINE",0
        .byte "NORA BIRCH",0
        .byte "VERA CEDAR",0
        .byte "YARA ROWAN",0
        .byte "SAM KAPOK",0
        .byte "KARL WILLOW",0
        .byte "LENA TEAK",0
        .byte "PIA SPRUCE",0
        .byte "ZOE OAK",0
        .byte "CLEO CEDAR",0
        .byte "IVO PINE",0
        .byte "WIM VINE",0
        .byte "CLEO BIRCH",0
        .byte "XENIA WILLOW",0
        .byte "JUNE UMBRA",0
        .byte "SAM VINE",0
        .byte "OTTO JUNIPER",0
        .byte "WIM MAPLE",0
        .byte "VERA LARCH",0
        .byte "ADA OAK",0
        .byte "LENA FIR",0
        .byte "TESS DOGWOOD",0
        .byte "PIA BIRCH",0
        .byte "GUS JUNIPER",0
        .byte "EMIL YEW",0
        .byte "HANNA MAPLE",0
        .byte "MILO PINE",0
        .byte "CLEO FIR",0
        .byte "OTTO MAPLE",0
        .byte "ROSA IVY",0
        .byte "EMIL NUTMEG",0
        .byte "WIM NUTMEG",0
        .byte "LENA VINE",0
        .byte "MILO HAZEL",0
        .byte "EMIL CEDAR",0
        .byte "FAYE ELM",0
        .byte "HANNA VINE",0
        .byte "HANNA ALDER",0
        .byte "FAYE IVY",0
        .byte "JUNE ALDER",0
        .byte "ROSA LARCH",0
        .byte "TESS SPRUCE",0
        .byte "WIM QUINCE",0
        .byte "TESS UMBRA",0
        .byte "VERA YEW",0
        .byte "BEN OAK",0
        .byte "YARA VINE",0
        .byte "ZOE ROWAN",0
        .byte "MILO MAPLE",0
        .byte "DORA PINE",0
        .byte "URI MAPLE",0
        .byte "BEN GORSE",0
        .byte "CLEO GORSE",0
        .byte "OTTO FIR",0
        .byte "DORA KAPOK",0
        .byte "TESS BIRCH",0
        .byte "DORA ALDER",0
        .byte "SAM ELM",0
        .byte "ADA CEDAR",0
        .byte "GUS TEAK",0
        .byte "MILO ELM",0
        .byte "URI IVY",0
        .byte "LENA PINE",0
        .byte "DORA DOGWOOD",0
        .byte "PIA OAK",0
        .byte "PIA PINE",0
        .byte "JUNE CEDAR",0
        .byte "EMIL DOGWOOD",0
        .byte "XENIA KAPOK",0
        .byte "XENIA IVY",0
        .byte "PIA WILLOW",0
        .byte "FAYE QUINCE",0
        .byte "ADA GORSE",0
        .byte "QUIN LARCH",0
        .byte "EMIL WILLOW",0
        .byte "ROSA ALDER",0
        .byte "YARA QUINCE",0
        .byte "CLEO WILLOW",0
        .byte "IVO QUINCE",0
        .byte "LENA HAZEL",0
        .byte "ROSA ROWAN",0
        .byte "KARL UMBRA",0
        .byte "HANNA TEAK",0
        .byte "ZOE GORSE",0
        .byte "ZOE HAZEL",0
        .byte "MILO YEW",0
        .byte "GUS QUINCE",0
        .byte "PIA LARCH",0
        .byte "XENIA ALDER",0
        .byte "ADA IVY",0
        .byte "PIA IVY",0
        .byte "GUS WILLOW",0
        .byte "TESS LARCH",0
        .byte "OTTO YEW",0
        .byte "LENA LARCH",0
        .byte "CLEO HAZEL",0
        .byte "PIA GORSE",0
        .byte "KARL GORSE",0
        .byte "PIA TEAK",0
        .byte "TESS ALDER",0
        .byte "PIA UMBRA",0
        .byte "LENA UMBRA",0
        .byte "CLEO VINE",0
        .byte "DORA MAPLE",0
        .byte "ZOE WILLOW",0
        .byte "YARA GORSE",0
        .byte "PIA FIR",0
        .byte "NORA UMBRA",0
        .byte "KARL CEDAR",0
        .byte "ZOE YEW",0
        .byte "MILO OAK",0
        .byte "CLEO YEW",0
        .byte "FAYE FIR",0
        .byte "EMIL ALDER",0
        .byte "EMIL SPRUCE",0
        .byte "OTTO UMBRA",0
        .byte "EMIL TEAK",0
        .byte "TESS PINE",0
        .byte "ADA ALDER",0
        .byte "URI DOGWOOD",0
        .byte "QUIN YEW",0
        .byte "GUS GORSE",0
        .byte "QUIN HAZEL",0
        .byte "YARA SPRUCE",0
        .byte "KARL IVY",0
        .byte "EMIL BIRCH",0
        .byte "XENIA LARCH",0
        .byte "OTTO VINE",0
        .byte "SAM QUINCE",0
        .byte "NORA QUINCE",0
        .byte "EMIL QUINCE",0
        .byte "QUIN ALDER",0
        .byte "YARA ELM",0
        .byte "XENIA DOGWOOD",0
        .byte "ROSA BIRCH",0
        .byte "KARL VINE",0
        .byte "QUIN QUINCE",0
        .byte "ROSA PINE",0
        .byte "ZOE DOGWOOD",0
        .byte "HANNA GORSE",0
        .byte "IVO BIRCH",0
        .byte "YARA DOGWOOD",0
        .byte "QUIN OAK",0
        .byte "YARA CEDAR",0
        .byte "OTTO KAPOK",0
        .byte "TESS QUINCE",0
        .byte "IVO OAK",0
        .byte "QUIN ROWAN",0
        .byte "ZOE PINE",0
        .byte "IVO ROWAN",0
        .byte "GUS OAK",0
        .byte "HANNA NUTMEG",0
        .byte "VERA JUNIPER",0
        .byte "WIM UMBRA",0
        .byte "EMIL IVY",0
        .byte "EMIL OAK",0
        .byte "HANNA YEW",0
        .byte "VERA HAZEL",0
        .byte "FAYE WILLOW",0
        .byte "MILO KAPOK",0
        .byte "NORA GORSE",0
        .byte "LENA KAPOK",0
        .byte "LENA ALDER",0
        .byte "KARL ROWAN",0
        .byte "OTTO OAK",0
        .byte "WIM ALDER",0
        .byte "QUIN TEAK",0
        .byte "DORA CEDAR",0
        .byte "IVO IVY",0
        .byte "BEN FIR",0
        .byte "IVO ELM",0
        .byte "NORA VINE",0
        .byte "IVO MAPLE",0
        .byte "QUIN SPRUCE",0
        .byte "FAYE NUTMEG",0
        .byte "CLEO IVY",0
        .byte "ADA UMBRA",0
        .byte "CLEO TEAK",0
        .byte "IVO DOGWOOD",0
        .byte "OTTO ALDER",0
        .byte "NORA IVY",0
        .byte "TESS ELM",0
        .byte "DORA FIR",0
        .byte "FAYE GORSE",0
        .byte "JUNE OAK",0
        .byte "QUIN VINE",0
        .byte "XENIA QUINCE",0
        .byte "ROSA GORSE",0
        .byte "QUIN PINE",0
        .byte "HANNA OAK",0
        .byte "DORA VINE",0
        .byte "URI NUTMEG",0
        .byte "VERA PINE",0
        .byte "ROSA MAPLE",0
        .byte "QUIN JUNIPER",0
        .byte "WIM GORSE",0
        .byte "HANNA KAPOK",0
        .byte "XENIA UMBRA",0
        .byte "EMIL MAPLE",0
        .byte "LENA BIRCH",0
        .byte "CLEO UMBRA",0
        .byte "NORA FIR",0
        .byte "VERA MAPLE",0
        .byte "HANNA WILLOW",0
        .byte "JUNE BIRCH",0
        .byte "IVO LARCH",0
        .byte "KARL HAZEL",0
        .byte "BEN JUNIPER",0
        .byte "FAYE ALDER",0
        .byte "KARL MAPLE",0
        .byte "CLEO PINE",0
        .byte "URI GORSE",0
        .byte "HANNA QUINCE",0
        .byte "YARA ALDER",0
        .byte "CLEO ELM",0
        .byte "MILO SPRUCE",0
        .byte "BEN MAPLE",0
        .byte "ADA JUNIPER",0
        .byte "VERA WILLOW",0
        .byte "ZOE TEAK",0
        .byte "XENIA PINE",0
        .byte "EMIL JUNIPER",0
        .byte "XENIA TEAK",0
        .byte "URI ELM",0
        .byte "BEN WILLOW",0
        .byte "QUIN UMBRA",0
        .byte "NORA YEW",0
        .byte "SAM ALDER",0
        .byte "VERA SPRUCE",0
        .byte "URI HAZEL",0
        .byte "CLEO ALDER",0
        .byte "BEN ELM",0
        .byte "URI LARCH",0
        .byte "OTTO ROWAN",0
        .byte "BEN UMBRA",0
        .byte "ROSA VINE",0
        .byte "HANNA PINE",0
        .byte "IVO ALDER",0
        .byte "OTTO CEDAR",0
        .byte "ROSA CEDAR",0
        .byte "VERA QUINCE",0
        .byte "IVO CEDAR",0
        .byte "IVO HAZEL",0
        .byte "XENIA GORSE",0
        .byte "URI OAK",0
        .byte "PIA MAPLE",0
        .byte "YARA BIRCH",0
        .byte "EMIL KAPOK",0
        .byte "IVO UMBRA",0
        .byte "ADA PINE",0
        .byte "BEN PINE",0
        .byte "IVO VINE",0
        .byte "DORA WILLOW",0
        .byte "GUS VINE",0
        .byte "PIA JUNIPER",0
        .byte "PIA ALDER",0
        .byte "CLEO QUINCE",0
        .byte "OTTO IVY",0
        .byte "MILO GORSE",0
        .byte "GUS CEDAR",0
        .byte "SAM CEDAR",0
        .byte "QUIN IVY",0
        .byte "LENA ELM",0
        .byte "MILO ALDER",0
        .byte "JUNE YEW",0
        .byte "LENA MAPLE",0
        .byte "KARL DOGWOOD",0
        .byte "KARL ALDER",0
        .byte "KARL KAPOK",0
        .byte "MILO DOGWOOD",0
        .byte "ADA YEW",0
        .byte "JUNE IVY",0
        .byte "LENA CEDAR",0
        .byte "LENA NUTMEG",0
        .byte "YARA IVY",0
        .byte "BEN IVY",0
        .byte "DORA BIRCH",0
        .byte "HANNA IVY",0
        .byte "YARA LARCH",0
        .byte "ZOE NUTMEG",0
        .byte "MILO ROWAN",0
        .byte "XENIA CEDAR",0
        .byte "BEN YEW",0
        .byte "NORA OAK",0
        .byte "URI JUNIPER",0
        .byte "FAYE PINE",0
        .byte "NORA KAPOK",0
        .byte "JUNE JUNIPER",0
        .byte "IVO YEW",0
        .byte "JUNE PINE",0
        .byte "FAYE UMBRA",0
        .byte "FAYE CEDAR",0
        .byte "ROSA HAZEL",0
        .byte "YARA OAK",0
        .byte "NORA ELM",0
        .byte "LENA IVY",0
        .byte "ZOE SPRUCE",0
        .byte "GUS ALDER",0
        .byte "XENIA NUTMEG",0
        .byte "MILO NUTMEG",0
        .byte "GUS MAPLE",0
        .byte "IVO KAPOK",0
        .byte "SAM LARCH",0
        .byte "EMIL VINE",0
        .byte "OTTO NUTMEG",0
        .byte "NORA WILLOW",0
        .byte "YARA PINE",0
        .byte "SAM PINE",0
        .byte "MILO QUINCE",0
        .byte "HANNA DOGWOOD",0
        .byte "HANNA ELM",0
        .byte "VERA DOGWOOD",0
        .byte "CLEO ROWAN",0
        .byte "ADA ELM",0
        .byte "HANNA SPRUCE",0
        .byte "WIM JUNIPER",0
        .byte 0

        .org $FFFA
        .word BROKEN,START,TICK
