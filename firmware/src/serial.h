/* The serial port, polled: no interrupt of its own can delay an edge's stamp. */
#ifndef SERIAL_H
#define SERIAL_H

#include <stdbool.h>
#include <stdint.h>

#include <avr/io.h>

/* 115,200 baud, 8 data bits, no parity, 1 stop bit. */
void serial_begin(void);

/* Moves what can be moved: a byte to the transmitter. To be called all the time; at least every 87 us, the time
   of a byte, for the line to be busy without gaps. */
void serial_poll(void);

/* Whether a line may be put: the one before has gone to the transmitter. */
bool serial_ready(void);

/* A line is put together from these, and goes out after its end. Only when ready. */
void put_text(const char *text); /* in flash memory */
void put_byte(uint8_t byte);
void put_hex(uint32_t value, uint8_t digits);
void put_decimal(uint32_t value);
void put_end(void); /* sum and LF */

/* One byte from the host, -1 if none waits, -2 for one that was damaged or in place of one that was lost. To be
   called at least every 170 us: the receiver holds two. */
int16_t serial_take(void);

/* Before and after a sleep: a byte from the host wakes the chip. */
void serial_before_sleep(void);
void serial_after_sleep(void);

/* Whether a byte from the host waits. */
static inline bool serial_waits(void)
{
    return UCSR0A & (1 << RXC0);
}

#endif
