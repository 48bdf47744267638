/* See host_port.h. */
#define _GNU_SOURCE
#include "host_port.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

static int in = -1, out = -1;
static bool terminal;

bool host_port_open_terminal(void)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    const char *path = NULL;
    if (master >= 0 && !grantpt(master) && !unlockpt(master))
        path = ptsname(master);
    /* Opened and closed once: from then on the system tells whether anybody has it open. */
    int slave = path ? open(path, O_RDWR | O_NOCTTY | O_CLOEXEC) : -1;
    struct termios settings;
    if (slave < 0 || tcgetattr(slave, &settings)) {
        perror("no pseudo-terminal");
        return false;
    }
    /* Or what the chip sends before the host has set its port would come back to the chip. */
    cfmakeraw(&settings);
    tcsetattr(slave, TCSANOW, &settings);
    close(slave);
    printf("PTY %s\n", path);
    fflush(stdout);
    in = out = master;
    terminal = true;
    return true;
}

void host_port_use_standard(void)
{
    in = STDIN_FILENO;
    out = STDOUT_FILENO;
    fcntl(in, F_SETFL, fcntl(in, F_GETFL) | O_NONBLOCK);
}

bool host_port_hung_up(void)
{
    struct pollfd asked = {.fd = out, .events = POLLOUT};
    return terminal && poll(&asked, 1, 0) == 1 && (asked.revents & POLLHUP);
}

void host_port_write(uint8_t byte)
{
    if (out < 0 || host_port_hung_up())
        return;
    while (write(out, &byte, 1) < 0) {
        /* A terminal that nobody reads is full: the byte is lost, as on a wire. A pipe is waited for. */
        struct pollfd asked = {.fd = out, .events = POLLOUT};
        if (terminal || (errno != EAGAIN && errno != EINTR))
            return;
        poll(&asked, 1, -1);
    }
}

size_t host_port_read(uint8_t *bytes, size_t room)
{
    if (in < 0)
        return 0;
    ssize_t got = read(in, bytes, room);
    if (got == 0 && !terminal)
        in = -1;
    return got > 0 ? (size_t)got : 0;
}

int host_port_descriptor(void)
{
    return in;
}
