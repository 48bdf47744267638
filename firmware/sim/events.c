/* The script of events, and a binary heap of those that wait. */
#include "events.h"

#include <ctype.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CYCLES_PER_US 16.0
/* Beyond this a time is taken for an error: 2^53 cycles are 17 years, and a double holds no more exactly. */
#define MOST_CYCLES 9007199254740992.0
/* The longest text of one event, in bytes. */
#define MOST_TEXT 4096

static struct event *heap;
static size_t count, room;
static uint64_t orders;

static bool before(const struct event *a, const struct event *b)
{
    return a->cycle != b->cycle ? a->cycle < b->cycle : a->order < b->order;
}

static void swap(size_t a, size_t b)
{
    struct event kept = heap[a];
    heap[a] = heap[b];
    heap[b] = kept;
}

static const char *put(struct event event)
{
    if (count == room) {
        size_t more = room ? 2 * room : 1024;
        struct event *bigger = realloc(heap, more * sizeof *heap);
        if (!bigger)
            return "out of memory";
        heap = bigger;
        room = more;
    }
    event.order = orders++;
    size_t at = count++;
    heap[at] = event;
    while (at && before(&heap[at], &heap[(at - 1) / 2])) {
        swap(at, (at - 1) / 2);
        at = (at - 1) / 2;
    }
    return NULL;
}

bool events_next(uint64_t *cycle)
{
    if (count)
        *cycle = heap[0].cycle;
    return count > 0;
}

bool events_take(struct event *event)
{
    if (!count)
        return false;
    *event = heap[0];
    heap[0] = heap[--count];
    for (size_t at = 0;;) {
        size_t least = at;
        for (size_t child = 2 * at + 1; child <= 2 * at + 2 && child < count; child++)
            if (before(&heap[child], &heap[least]))
                least = child;
        if (least == at)
            return true;
        swap(at, least);
        at = least;
    }
}

/* Text with \n, \r, \\ and \xHH, as bytes; false if a backslash begins none of these, or it is too long. */
static bool unescape(const char *text, uint8_t *bytes, size_t *length)
{
    *length = 0;
    while (*text) {
        if (*length == MOST_TEXT)
            return false;
        uint8_t byte = (uint8_t)*text++;
        if (byte == '\\') {
            char kind = *text++;
            if (kind == 'n') {
                byte = '\n';
            } else if (kind == 'r') {
                byte = '\r';
            } else if (kind == 'x' && isxdigit((unsigned char)text[0]) && isxdigit((unsigned char)text[1])) {
                char digits[3] = {text[0], text[1], 0};
                byte = (uint8_t)strtoul(digits, NULL, 16);
                text += 2;
            } else if (kind != '\\') {
                return false;
            }
        }
        bytes[(*length)++] = byte;
    }
    return true;
}

static const char *put_text(struct event event, const uint8_t *bytes, size_t length)
{
    event.action = SEND;
    event.length = length;
    event.text = malloc(length ? length : 1);
    if (!event.text)
        return "out of memory";
    memcpy(event.text, bytes, length);
    return put(event);
}

/* `<number>`, `<number>us`, `<number>ms`, each with `+` before it or not. */
static const char *read_time(const char *word, uint64_t now, uint64_t *cycle)
{
    char *end;
    bool relative = *word == '+';
    double time = strtod(word + relative, &end);
    if (end == word + relative)
        return "a time was expected";
    if (!strcmp(end, "us"))
        time *= CYCLES_PER_US;
    else if (!strcmp(end, "ms"))
        time *= 1000 * CYCLES_PER_US;
    else if (*end)
        return "the unit of a time is us, ms, or none for cycles";
    if (!(time >= 0 && time < MOST_CYCLES))
        return "the time is negative or too large";
    *cycle = (uint64_t)(time + 0.5) + (relative ? now : 0);
    return NULL;
}

const char *events_read_line(const char *line, uint64_t now)
{
    char when[64];
    int used = 0;
    line += strspn(line, " \t\r\n");
    if (!*line || *line == '#')
        return NULL;
    if (sscanf(line, "%63s %n", when, &used) != 1 || !line[used])
        return "a time and an action were expected";
    struct event event = {0};
    const char *wrong = read_time(when, now, &event.cycle);
    if (wrong)
        return wrong;

    char action[MOST_TEXT];
    snprintf(action, sizeof action, "%s", line + used);
    size_t length = strlen(action);
    while (length && (action[length - 1] == '\n' || action[length - 1] == '\r'))
        action[--length] = 0;

    uint8_t bytes[MOST_TEXT + 8];
    size_t size;
    if (!strcmp(action, "reset")) {
        event.action = RESET;
        return put(event);
    }
    if (!strncmp(action, "send ", 5)) {
        size = strlen(action + 5);
        uint8_t sum = 0;
        for (size_t i = 0; i < size; i++)
            sum ^= (uint8_t)action[5 + i];
        memcpy(bytes, action + 5, size);
        size += (size_t)sprintf((char *)bytes + size, "*%02X\n", sum);
        return put_text(event, bytes, size);
    }
    if (!strncmp(action, "raw ", 4)) {
        if (!unescape(action + 4, bytes, &size))
            return "after a backslash n, r, xHH or a backslash was expected";
        return put_text(event, bytes, size);
    }
    char *end;
    unsigned long levels = strtoul(action, &end, 16);
    if (end == action || *end || levels > 0x0F)
        return "levels of 0 to F, send, raw or reset were expected";
    event.action = SET_LEVELS;
    event.levels = (uint8_t)levels;
    return put(event);
}
