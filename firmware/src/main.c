/* Firmware of the rig: times the edges of a guide port and reports them over link protocol 1.
   The interrupts (capture.S) only stamp and store; this loop does the rest. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "capture.h"
#include "link.h"
#include "serial.h"

int main(void)
{
    /* A boot loader that ends by a watchdog reset leaves the watchdog on (datasheet, "Watchdog System Reset"). */
    MCUSR = 0;
    wdt_disable();
    serial_begin();
    capture_begin();
    link_identify();
    sei();
    for (;;) {
        link_step();
        link_rest();
    }
}
