/* See link.h. */
#include "link.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <stdbool.h>
#include <stdint.h>

#include "board.h"
#include "capture.h"
#include "serial.h"

/* The longest line that has a meaning is "S 0123ABCD*HH", 13 bytes. */
#define MOST_HOST_LINE 31

/* A number that a macro stands for, as text. */
#define TEXT(number) #number
#define AS_TEXT(macro) TEXT(macro)

/* Syncs that may wait for their answer; a power of two. */
#define SYNCS 4

/* The rig's name stands at the start of the EEPROM, ended by a byte that can't be part of it. If there is none it is
   the one that was given to make. */
#define MOST_SERIAL 16

struct sync {
    uint32_t token;
    uint32_t tick;
};

static uint8_t host_line[MOST_HOST_LINE];
static uint8_t host_length;
static bool host_damaged; /* the line that is coming in is of no use */

static struct sync syncs[SYNCS];
static uint8_t syncs_put, syncs_taken; /* counts, modulo 256 */

static bool identity_asked;
static uint16_t sequence;
static uint32_t last_second; /* the tick at which the last heartbeat was due */
static uint8_t overflows_seen;

void link_identify(void)
{
    identity_asked = true;
}

/* The value of an upper-case hexadecimal digit, above 15 if it is none. */
static uint8_t digit(uint8_t byte)
{
    if (byte >= '0' && byte <= '9')
        return byte - '0';
    if (byte >= 'A' && byte <= 'F')
        return byte - 'A' + 10;
    return 0xFF;
}

/* The length of the content, 0 if the line has no right sum. */
static uint8_t checked(void)
{
    if (host_damaged || host_length < 4)
        return 0;
    uint8_t length = host_length - 3;
    uint8_t high = digit(host_line[length + 1]);
    uint8_t low = digit(host_line[length + 2]);
    if (host_line[length] != '*' || high > 15 || low > 15)
        return 0;
    uint8_t sum = 0;
    for (uint8_t i = 0; i < length; i++)
        sum ^= host_line[i];
    return sum == (high << 4 | low) ? length : 0;
}

/* "S " and eight digits; `tick` is when the line was whole. */
static void take_sync(uint32_t tick)
{
    uint32_t token = 0;
    for (uint8_t i = 2; i < 10; i++) {
        uint8_t value = digit(host_line[i]);
        if (value > 15)
            return;
        token = token << 4 | value;
    }
    if ((uint8_t)(syncs_put - syncs_taken) == SYNCS)
        return;
    syncs[syncs_put++ % SYNCS] = (struct sync){token, tick};
}

static void take_line(uint32_t tick)
{
    uint8_t length = checked();
    if (length == 1) {
        switch (host_line[0]) {
        case '?':
            link_identify();
            break;
        case 'G':
            capture_go();
            break;
        case 'X':
            capture_stop();
            break;
        }
    } else if (length == 10 && host_line[0] == 'S' && host_line[1] == ' ') {
        take_sync(tick);
    }
}

static void take_byte(int16_t byte)
{
    if (byte == '\n') {
        take_line(capture_now());
        host_length = 0;
        host_damaged = false;
    } else if (byte < 0 || host_length == MOST_HOST_LINE) {
        host_damaged = true;
    } else {
        host_line[host_length++] = byte;
    }
}

static void send_identity(void)
{
    put_text(PSTR("RIG 1 " VERSION " " AS_TEXT(TICK_HZ) " " AS_TEXT(INPUTS) " "));
    uint8_t i;
    for (i = 0; i < MOST_SERIAL; i++) {
        uint8_t byte = eeprom_read_byte((const uint8_t *)0 + i);
        if (byte <= ' ' || byte > '~' || byte == '*')
            break;
        put_byte(byte);
    }
    if (i == 0)
        put_text(PSTR(SERIAL));
    put_end();
}

static void send_ticks(const struct sync *sync)
{
    put_byte('S');
    put_byte(' ');
    put_hex(sync->token, 8);
    put_byte(' ');
    put_hex(sync->tick, 8);
    put_end();
}

static void send_edge(const struct edge *edge)
{
    put_byte('E');
    put_byte(' ');
    put_hex(sequence++, 4);
    put_byte(' ');
    put_hex(edge->tick, 8);
    put_byte(' ');
    put_hex(edge->levels, 2);
    put_end();
}

static void send_lost(uint32_t count)
{
    put_byte('L');
    put_byte(' ');
    put_decimal(count);
    put_end();
    sequence += count;
}

/* A heartbeat, if a second is over; looked at only after an overflow, so that the loop is short. */
static bool send_heartbeat(void)
{
    uint8_t overflows = capture_overflows();
    if (overflows == overflows_seen)
        return false;
    overflows_seen = overflows;
    uint32_t now = capture_now();
    /* The difference is right over the wrap of the counter. */
    if (now - last_second < TICK_HZ)
        return false;
    last_second += TICK_HZ;
    put_byte('H');
    put_byte(' ');
    put_hex(now, 8);
    put_end();
    return true;
}

void link_step(void)
{
    struct edge edge;
    uint32_t lost;
    int16_t byte = serial_take();
    if (byte != -1)
        take_byte(byte);
    serial_poll();
    if (!serial_ready())
        return;
    if (identity_asked) {
        identity_asked = false;
        send_identity();
    } else if (syncs_taken != syncs_put) {
        send_ticks(&syncs[syncs_taken++ % SYNCS]);
    } else if (send_heartbeat()) {
        return;
    } else if (capture_take(&edge)) {
        send_edge(&edge);
    } else if ((lost = capture_end_hole())) {
        send_lost(lost);
    }
}

void link_rest(void)
{
    if (!serial_ready() || identity_asked || syncs_taken != syncs_put)
        return;
    serial_before_sleep();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    cli();
    /* Some 15 cycles: an edge that comes here is stamped as much later. */
    if (capture_waits() || serial_waits() || capture_overflows() != overflows_seen) {
        sei();
    } else {
        /* The instruction after sei is carried out before any interrupt: none can come between. */
        sei();
        sleep_cpu();
    }
    sleep_disable();
    serial_after_sleep();
}
