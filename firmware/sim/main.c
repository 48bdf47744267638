/* Runs the rig's firmware on a simulated chip, for tests and for people without a board.

   A program of its own, on purpose: it links libsimavr, whose licence is the GNU General Public License,
   version 3. It is never linked into the tool, which talks to it through a serial port like to any rig.

   rig-sim --elf FILE [--pty | --stdio] [--script FILE] [--script-fd N] [--log FILE] [--serial NAME]
           [--until CYCLES] [--realtime]

   A script has a line an event, `<when> <action>`; empty lines and those that begin with # are skipped.
   When: cycles of 62.5 ns since the first reset, or with a unit, `12.5us`, `3ms`; with `+` before it, counted from
   the moment at which the line is read. Action: levels of the inputs, one hexadecimal digit, bit i is input i, 1 is
   a closed switch; `send TEXT`, a line of the link protocol to which sum and LF are added; `raw TEXT`, bytes as they
   stand, with \n, \r, \\ and \xHH; `reset`. A script from --script is read whole before the start, one from
   --script-fd while the chip runs.

   The log has a line an event, by time: `zero <cycle>`, the counter was started; `edge <cycle> <levels>`, the inputs
   changed; `line <cycle> <text>`, the firmware has given the LF of a line to its serial port.

   The run ends at --until, or without it a second of the chip's time after the end of the input of --stdio and of the
   script, or by SIGINT or SIGTERM. Without --realtime it goes as fast as it can. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "chip.h"
#include "events.h"
#include "host_port.h"

/* Real time is kept to in slices of this length, 0.5 ms. */
#define SLICE (CHIP_HZ / 2000)
/* Without --realtime the ports are looked at so often, each 10 ms of the chip's time. */
#define STRIDE (CHIP_HZ / 100)
/* So much longer the chip runs when the input has ended, 1 s: for what it has still to say. */
#define LAST_WORDS CHIP_HZ
/* The longest line of a script or of the firmware, in bytes. */
#define MOST_LINE 4096

static FILE *log_file;
static uint8_t levels;
static bool reset_due, failed;
static volatile sig_atomic_t stopped;

static struct {
    int descriptor;
    char line[MOST_LINE];
    size_t length;
    bool reading;
} stream = {.descriptor = -1};

static void on_signal(int number)
{
    (void)number;
    stopped = 1;
}

static void fail(const char *line, const char *wrong)
{
    fprintf(stderr, "script: %s: %s\n", wrong, line);
    failed = true;
}

static void log_levels(uint64_t cycle)
{
    if (log_file)
        fprintf(log_file, "edge %" PRIu64 " %X\n", cycle, levels);
}

static void on_byte(uint8_t byte, uint64_t cycle)
{
    static char line[MOST_LINE];
    static size_t length;
    host_port_write(byte);
    if (byte == '\n' || length == MOST_LINE - 1) {
        line[length] = 0;
        if (log_file)
            fprintf(log_file, "line %" PRIu64 " %s\n", cycle, line);
        length = 0;
    } else {
        line[length++] = (char)byte;
    }
}

static uint64_t on_due(uint64_t now)
{
    struct event event;
    uint64_t next = 0;
    while (!reset_due && events_next(&next) && next <= now && events_take(&event)) {
        switch (event.action) {
        case SET_LEVELS:
            if (event.levels != levels) {
                levels = event.levels;
                chip_set_levels(levels);
                /* When it was due: `now` is up to an instruction later. */
                log_levels(event.cycle);
            }
            break;
        case SEND:
            if (!chip_send(event.text, event.length))
                fail("send", "out of memory");
            free(event.text);
            break;
        case RESET:
            /* Not from inside of the simulator. */
            reset_due = true;
            break;
        }
    }
    return !reset_due && events_next(&next) ? next : 0;
}

static void reset(void)
{
    reset_due = false;
    uint64_t zero = chip_reset(levels);
    if (log_file)
        fprintf(log_file, "zero %" PRIu64 "\n", zero);
    uint64_t next;
    if (events_next(&next))
        chip_wake_at(next);
}

static void read_line(const char *line)
{
    const char *wrong = events_read_line(line, chip_cycle());
    if (wrong)
        fail(line, wrong);
}

static void read_script(const char *path)
{
    char line[MOST_LINE];
    FILE *file = fopen(path, "r");
    if (!file) {
        fail(path, strerror(errno));
        return;
    }
    while (fgets(line, sizeof line, file))
        read_line(line);
    fclose(file);
}

/* Reads what has come from --script-fd. */
static void read_stream(void)
{
    char bytes[1024];
    ssize_t got;
    bool any = false;
    while (stream.reading && (got = read(stream.descriptor, bytes, sizeof bytes)) >= 0) {
        stream.reading = got > 0;
        for (ssize_t i = 0; i < got; i++) {
            if (bytes[i] == '\n' || stream.length == MOST_LINE - 1) {
                stream.line[stream.length] = 0;
                stream.length = 0;
                read_line(stream.line);
                any = true;
            } else {
                stream.line[stream.length++] = bytes[i];
            }
        }
    }
    uint64_t next;
    if (any && events_next(&next))
        chip_wake_at(next);
}

static void read_host(void)
{
    uint8_t bytes[256];
    size_t got;
    while ((got = host_port_read(bytes, sizeof bytes)))
        if (!chip_send(bytes, got))
            fail("host", "out of memory");
}

static uint64_t wall_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000000u + (uint64_t)now.tv_nsec;
}

/* Sleeps until the wall clock is at `until`, or something has come from the host or the script. */
static void wait_until(uint64_t until)
{
    struct pollfd asked[2] = {
        {.fd = host_port_hung_up() ? -1 : host_port_descriptor(), .events = POLLIN},
        {.fd = stream.reading ? stream.descriptor : -1, .events = POLLIN},
    };
    uint64_t now = wall_ns();
    if (now >= until)
        return;
    struct timespec left = {(time_t)((until - now) / 1000000000u), (long)((until - now) % 1000000000u)};
    ppoll(asked, 2, &left, NULL);
}

/* Nothing can come any more from standard input or from a script. */
static bool over(void)
{
    uint64_t next;
    return host_port_descriptor() < 0 && !events_next(&next) && !stream.reading;
}

static int run(uint64_t until, bool real_time, bool standard)
{
    uint64_t begun = wall_ns();
    for (;;) {
        read_stream();
        read_host();
        if (failed)
            return 2;
        uint64_t now = chip_cycle();
        if (now >= until || stopped)
            return 0;
        if (standard && until == UINT64_MAX && over())
            until = now + LAST_WORDS;
        uint64_t goal = now + STRIDE;
        if (real_time) {
            uint64_t passed = (wall_ns() - begun) / 125 * 2; /* cycles of 62.5 ns */
            if (passed <= now) {
                wait_until(begun + (now + SLICE) / 2 * 125);
                passed = (wall_ns() - begun) / 125 * 2;
            }
            goal = passed > now ? passed : now;
        }
        if (!chip_run(goal < until ? goal : until, real_time ? SLICE : STRIDE)) {
            fprintf(stderr, "the firmware has stopped at cycle %" PRIu64 "\n", chip_cycle());
            return 3;
        }
        if (reset_due)
            reset();
    }
}

static int usage(void)
{
    fprintf(stderr, "rig-sim --elf FILE [--pty | --stdio] [--script FILE] [--script-fd N] [--log FILE]\n"
                    "        [--serial NAME] [--until CYCLES] [--realtime]\n");
    return 2;
}

int main(int count, char **arguments)
{
    enum { ELF = 1, PTY, STDIO, SCRIPT, SCRIPT_FD, LOG, SERIAL, UNTIL, REALTIME };
    static const struct option options[] = {
        {"elf", required_argument, NULL, ELF},       {"pty", no_argument, NULL, PTY},
        {"stdio", no_argument, NULL, STDIO},         {"script", required_argument, NULL, SCRIPT},
        {"script-fd", required_argument, NULL, SCRIPT_FD}, {"log", required_argument, NULL, LOG},
        {"serial", required_argument, NULL, SERIAL}, {"until", required_argument, NULL, UNTIL},
        {"realtime", no_argument, NULL, REALTIME},   {0},
    };
    const char *elf = NULL, *script = NULL, *log_path = NULL, *serial = NULL;
    bool pty = false, standard = false, real_time = false;
    uint64_t until = UINT64_MAX;
    int option;
    while ((option = getopt_long(count, arguments, "", options, NULL)) != -1) {
        switch (option) {
        case ELF: elf = optarg; break;
        case PTY: pty = true; break;
        case STDIO: standard = true; break;
        case SCRIPT: script = optarg; break;
        case SCRIPT_FD: stream.descriptor = atoi(optarg); stream.reading = true; break;
        case LOG: log_path = optarg; break;
        case SERIAL: serial = optarg; break;
        case UNTIL: until = strtoull(optarg, NULL, 10); break;
        case REALTIME: real_time = true; break;
        default: return usage();
        }
    }
    if (!elf || optind < count || (pty && standard))
        return usage();
    if (log_path && !(log_file = fopen(log_path, "w"))) {
        perror(log_path);
        return 2;
    }
    if (!chip_begin(elf, serial, on_byte, on_due))
        return 2;
    if (stream.reading && fcntl(stream.descriptor, F_SETFL, fcntl(stream.descriptor, F_GETFL) | O_NONBLOCK)) {
        perror("--script-fd");
        return 2;
    }
    if (script)
        read_script(script);
    if (failed || (pty && !host_port_open_terminal()))
        return 2;
    if (standard)
        host_port_use_standard();
    /* The log is written to its end. */
    signal(SIGINT, on_signal);
    signal(SIGTERM, on_signal);
    reset();
    int code = run(until, real_time, standard);
    if (log_file && fclose(log_file)) {
        perror(log_path);
        return 2;
    }
    return code;
}
