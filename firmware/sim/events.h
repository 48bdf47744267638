/* What is to happen to the chip, by the cycle at which it does. */
#ifndef EVENTS_H
#define EVENTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum action {
    SET_LEVELS, /* the inputs become `levels` */
    SEND,       /* `text` goes to the serial port */
    RESET       /* the chip is reset */
};

struct event {
    uint64_t cycle;
    uint64_t order; /* of those at the same cycle, the first read comes first */
    enum action action;
    uint8_t levels;
    uint8_t *text;
    size_t length;
};

/* Reads one line of a script; `now` is what a time that begins with `+` counts from. The events wait until
   they are due. Gives what is wrong with the line, or NULL. */
const char *events_read_line(const char *line, uint64_t now);

/* The cycle of the next event; false if none waits. */
bool events_next(uint64_t *cycle);

/* Takes the next event; its text is the caller's to free. False if none waits. */
bool events_take(struct event *event);

#endif
