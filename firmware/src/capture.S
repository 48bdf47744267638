; The three interrupts. In assembler, because the time that one of them takes is time by which an edge
; may be stamped late: what a C compiler saves and restores around its own code alone would take more than
; the edge interrupt takes in all. The numbers at the right are cycles (datasheet, "Instruction Set Summary").

#include <avr/io.h>
#include "board.h"

#define IO(reg) _SFR_IO_ADDR(reg)

        .section .bss.ring, "aw", @nobits
; Five pages of RING_SIZE = 256 bytes: tick (two low bytes), levels, tick (two high bytes). On a page
; boundary the index is the low byte of the address, and wraps by itself.
        .balign 256
        .global ring
ring:   .skip 5 * 256

        .section .bss.ring_state, "aw", @nobits
        .global ring_head               ; index of the next record to be written; only the interrupt writes it
ring_head: .skip 1
        .global ring_last               ; index that can't be written: the one before the oldest record
ring_last: .skip 1
        .global ring_lost               ; edges that found no room, since main cleared it
ring_lost: .skip 4

        .section .text

; r2, r3 and r4 belong to the interrupts: the C code is compiled with them set aside (Makefile), a test sees to
; it that nothing else uses them, and no interrupt breaks into another. So they need not be saved.

; A pin has changed. It is taken by priority before the other two (its vector comes first).
        .global PCINT1_vect
PCINT1_vect:                            ; response 4, jump of the vector table 3
        lds     r2, TCNT1L              ; 2   latches TCNT1H
        lds     r3, TCNT1H              ; 2
        in      r4, IO(SREG)            ; 1
        push    r23                     ; 2
        push    r30                     ; 2
        in      r30, IO(LEVELS)         ; 1
        in      r23, IO(INPUT_PIN)      ; 1
        com     r23                     ; 1   a closed switch pulls its pin low
        andi    r23, INPUT_MASK         ; 1
        cp      r23, r30                ; 1
        breq    nothing                 ; 1   stamped already with the edge before, or too short to be seen
        out     IO(LEVELS), r23         ; 1
        push    r31                     ; 2
        lds     r30, ring_head          ; 2
        lds     r31, ring_last          ; 2
        cp      r30, r31                ; 1
        breq    no_room                 ; 1
        ldi     r31, hi8(ring)          ; 1
        st      Z, r2                   ; 2
        inc     r31                     ; 1
        st      Z, r3                   ; 2
        inc     r31                     ; 1
        st      Z, r23                  ; 2
        in      r2, IO(HIGH_LOW)        ; 1
        in      r23, IO(HIGH_HIGH)      ; 1
        ; An overflow that waits for its interrupt and came before the stamp is not in the high word
        ; yet. Before the stamp: then the stamp is small, for no interrupt waits half a turn (16 ms).
        sbrc    r3, 7                   ; 2   or 1, and 2 for the jump
        rjmp    counted
        sbis    IO(TIFR1), TOV1         ; 3   or 2, and those below
        rjmp    counted
        inc     r2                      ;     plus 2 or 3
        brne    counted
        inc     r23
counted:
        inc     r31                     ; 1
        st      Z, r2                   ; 2
        inc     r31                     ; 1
        st      Z, r23                  ; 2
        inc     r30                     ; 1
        sts     ring_head, r30          ; 2
restore:
        pop     r31                     ; 2
nothing:
        pop     r30                     ; 2
        pop     r23                     ; 2
        out     IO(SREG), r4            ; 1
        reti                            ; 4

no_room:                                ; counts up to FFFFFFFF and stays there
        lds     r30, ring_lost          ; 2
        lds     r31, ring_lost + 1      ; 2
        adiw    r30, 1                  ; 2
        brne    1f                      ; 2
        lds     r2, ring_lost + 2
        lds     r3, ring_lost + 3
        inc     r2
        brne    2f
        inc     r3
        breq    restore
2:      sts     ring_lost + 2, r2
        sts     ring_lost + 3, r3
1:      sts     ring_lost, r30          ; 2
        sts     ring_lost + 1, r31      ; 2
        rjmp    restore                 ; 2

; The counter has overflowed: 30.5 times a second.
        .global TIMER1_OVF_vect
TIMER1_OVF_vect:                        ; 7
        in      r4, IO(SREG)            ; 1
        in      r2, IO(HIGH_LOW)        ; 1
        inc     r2                      ; 1
        out     IO(HIGH_LOW), r2        ; 1
        brne    1f                      ; 2
        in      r2, IO(HIGH_HIGH)
        inc     r2
        out     IO(HIGH_HIGH), r2
1:      out     IO(SREG), r4            ; 1
        reti                            ; 4

; A byte has come while the chip slept. It only wakes the chip, and switches itself off: the main loop
; reads the byte.
        .global USART_RX_vect
USART_RX_vect:                          ; 7
        push    r24                     ; 2
        ldi     r24, UART_AWAKE         ; 1
        sts     UCSR0B, r24             ; 2
        pop     r24                     ; 2
        reti                            ; 4
