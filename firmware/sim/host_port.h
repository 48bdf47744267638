/* The host's end of the chip's serial port: a pseudo-terminal, or standard input and output. */
#ifndef HOST_PORT_H
#define HOST_PORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Opens a pseudo-terminal and prints `PTY <path>`; false with a message on standard error. */
bool host_port_open_terminal(void);

/* Uses standard input and output. */
void host_port_use_standard(void);

/* A byte from the chip. It is dropped if there is no port, or nobody has it open, as a board's would be. */
void host_port_write(uint8_t byte);

/* Bytes from the host that wait, at most `room`; never blocks. */
size_t host_port_read(uint8_t *bytes, size_t room);

/* What to wait on for bytes from the host; -1 if there is no port, or its end was reached. */
int host_port_descriptor(void);

/* Nobody has the terminal open now: waiting on it would return at once. */
bool host_port_hung_up(void);

#endif
