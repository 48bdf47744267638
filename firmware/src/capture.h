/* Edges of the inputs with the time of each, as the interrupts store them. */
#ifndef CAPTURE_H
#define CAPTURE_H

#include <stdbool.h>
#include <stdint.h>

#include "board.h"

struct edge {
    uint32_t tick;  /* counter, 0.5 us */
    uint8_t levels; /* after the edge; bit i is input i, 1 is a closed switch */
};

/* Pull-ups on, counter at 0 and running; no edge is timed yet. Interrupts stay off. */
void capture_begin(void);

/* Times edges from now on, or no more. What waits is kept. To start again, or to stop again, changes nothing. */
void capture_go(void);
void capture_stop(void);

/* The counter now. */
uint32_t capture_now(void);

/* Takes the oldest edge; false if none waits. */
bool capture_take(struct edge *edge);

/* To be called when no edge waits: ends a hole, and gives the number of edges lost in it; 0 if
   there was none. */
uint32_t capture_end_hole(void);

/* The rest is here for the sake of the few cycles with interrupts off in which the main loop looks whether it may
   sleep. */

extern volatile uint8_t ring_head; /* where the interrupt writes next */
extern uint8_t ring_tail;          /* the oldest record */

/* Whether an edge waits. A hole never begins while none does, so it need not be looked for here. */
static inline bool capture_waits(void)
{
    return ring_tail != ring_head;
}

/* Times the counter has overflowed, modulo 256: changes every 32.768 ms. */
static inline uint8_t capture_overflows(void)
{
    return HIGH_LOW;
}

#endif
