/* The main loop's side of what capture.S stores. */
#include "capture.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"

#define RING_SIZE 256

/* In capture.S: pages of low byte, second byte, levels, third byte, top byte of the tick. */
extern volatile uint8_t ring[5][RING_SIZE];
extern volatile uint8_t ring_last;
extern volatile uint32_t ring_lost;

uint8_t ring_tail;

void capture_begin(void)
{
    INPUT_PORT |= INPUT_MASK;
    INPUT_CHANGES = INPUT_MASK;
    PCICR = 0;
    ring_last = (uint8_t)(ring_tail - 1);
    /* All of it, since a boot loader may have run before. */
    TCCR1A = 0;
    TCCR1B = 0;
    TCNT1 = 0;
    HIGH_LOW = 0;
    HIGH_HIGH = 0;
    TIFR1 = 1 << TOV1;
    TIMSK1 = 1 << TOIE1;
    TCCR1B = 1 << CS11; /* F_CPU / 8 */
}

void capture_go(void)
{
    if (PCICR)
        return;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        /* A change of before has left its flag set: the interrupt that it raises finds nothing new. One after this
           line is timed. */
        LEVELS = (uint8_t)~INPUT_PIN & INPUT_MASK;
        PCICR = 1 << INPUT_ENABLE;
    }
}

void capture_stop(void)
{
    PCICR = 0;
}

uint32_t capture_now(void)
{
    uint16_t low;
    uint8_t high_low, high_high, overflowed;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        low = TCNT1;
        overflowed = TIFR1 & (1 << TOV1);
        high_low = HIGH_LOW;
        high_high = HIGH_HIGH;
    }
    uint16_t high = (uint16_t)high_high << 8 | high_low;
    /* As in capture.S. */
    if (overflowed && low < 0x8000)
        high++;
    return (uint32_t)high << 16 | low;
}

bool capture_take(struct edge *edge)
{
    uint8_t at = ring_tail;
    if (at == ring_head)
        return false;
    edge->tick = (uint32_t)ring[4][at] << 24 | (uint32_t)ring[3][at] << 16 | (uint16_t)(ring[1][at] << 8) |
                 ring[0][at];
    edge->levels = ring[2][at];
    ring_tail = (uint8_t)(at + 1);
    /* In a hole no room is made: all that was before it is sent first. */
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        if (!ring_lost)
            ring_last = at;
    }
    return true;
}

uint32_t capture_end_hole(void)
{
    uint32_t lost;
    /* Of one byte each, and only the main loop writes them. */
    if (ring_last == (uint8_t)(ring_tail - 1))
        return 0;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        lost = ring_lost;
        ring_lost = 0;
        ring_last = (uint8_t)(ring_tail - 1);
    }
    return lost;
}
