/* The simulated chip: ATmega328P at 16 MHz with the rig's firmware. */
#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CHIP_HZ 16000000

/* Called for each byte that the firmware sends, with the cycle. */
typedef void (*chip_byte)(uint8_t byte, uint64_t cycle);

/* Called when an event is due; returns the cycle of the next, 0 if there is none. */
typedef uint64_t (*chip_due)(uint64_t now);

/* Loads the ELF file; `serial` (NULL for none) goes to the start of the EEPROM. The firmware begins with the first
   reset. False with a message on standard error. */
bool chip_begin(const char *elf, const char *serial, chip_byte on_byte, chip_due on_due);

/* Resets the chip with its inputs at `levels` (see chip_set_levels), and runs it until it has started its counter;
   gives the cycle at which that stood at 0. */
uint64_t chip_reset(uint8_t levels);

/* Runs until the cycle, to within an instruction; false if the firmware has crashed. While the chip sleeps, time goes
   by in steps of at most `step` cycles (0: as long as the sleep lasts). */
bool chip_run(uint64_t until, uint64_t step);

/* The cycle now: it counts on over a reset. */
uint64_t chip_cycle(void);

/* Has `on_due` called at the cycle (or now, if that is past), in place of any cycle asked for before. */
void chip_wake_at(uint64_t cycle);

/* Sets the inputs: bit i is input i, 1 is a closed switch. */
void chip_set_levels(uint8_t levels);

/* Bytes for the firmware: they come in one after the other at the speed of the line. False if out of memory. */
bool chip_send(const uint8_t *bytes, size_t length);

#endif
