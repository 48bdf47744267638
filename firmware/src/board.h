/* What is wired where, and which registers keep what. Read by C and by assembler. */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>

/* The inputs: PC0 to PC3. Port C has no second use on a bare board (port B programs the chip, port D
   has the serial port), and one pin-change interrupt, PCINT1, serves all of it. */
#define INPUTS 4
#define INPUT_MASK 0x0F
#define INPUT_PIN PINC
#define INPUT_PORT PORTC
#define INPUT_CHANGES PCMSK1
#define INPUT_ENABLE PCIE1

/* Timer 1 counts F_CPU / 8. */
#define TICK_HZ 2000000

/* General-purpose registers, which the interrupts reach in one cycle: levels of the last edge (1 is a closed
   switch), and the upper half of the counter. */
#define LEVELS GPIOR0
#define HIGH_LOW GPIOR1
#define HIGH_HIGH GPIOR2

/* UCSR0B while awake: receiver and transmitter on, no interrupt. */
#define UART_AWAKE ((1 << RXEN0) | (1 << TXEN0))

#endif
