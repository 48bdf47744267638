/* See chip.h. The simulator is libsimavr 1.6. Four things are done about it here:
   - it takes no time for the response to an interrupt; the datasheet gives four cycles, and four more
     from sleep ("Interrupt Response Time"). They are added when an interrupt begins;
   - on its serial port a byte takes eleven bits, the parity bit being counted where there is none, and one that
     comes in is not seen until the time of a byte later. The time is set, and each byte is given when it is over;
   - its serial port would sleep in real time while the firmware polls it; that is switched off;
   - its sleep would be one in real time; the time simply goes by. */
#include "chip.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_eeprom.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_irq.h>

#define INPUTS 4
#define INPUT_PORT 'C'
/* Addresses and vectors of the ATmega328P (datasheet, "Register Summary", "Interrupt Vectors"). */
#define TCCR1B 0x81
static const uint8_t vectors[] = {4, 13, 18}; /* PCINT1, TIMER1 OVF, USART RX; counted from 0 */
/* Ten bits, at the firmware's speed, 16 MHz / (8 x 17), and at the host's, 115,200 baud. */
#define SENT_BYTE_CYCLES 1360
#define CAME_BYTE_CYCLES 1389
#define RESPONSE_CYCLES 4
#define WAKE_CYCLES 4

static avr_t *avr;
static avr_uart_t *port;
static elf_firmware_t firmware;
static chip_byte byte_sent;
static chip_due due;
static uint64_t cycles_before; /* of runs before the last reset: the simulator starts again at 0 */
static bool slept;
static uint64_t sleep_step;

static uint8_t *waiting;
static size_t waiting_from, waiting_to, waiting_room;

uint64_t chip_cycle(void)
{
    return cycles_before + avr->cycle;
}

static avr_irq_t *uart(int which)
{
    return avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), which);
}

/* A byte from the host has come in; the next needs the time of a byte. */
static avr_cycle_count_t on_input(avr_t *chip, avr_cycle_count_t when, void *unused)
{
    (void)chip, (void)unused;
    port->cycles_per_byte = 1;
    avr_raise_irq(uart(UART_IRQ_INPUT), waiting[waiting_from++]);
    port->cycles_per_byte = SENT_BYTE_CYCLES;
    if (waiting_from < waiting_to)
        return when + CAME_BYTE_CYCLES;
    waiting_from = waiting_to = 0;
    return 0;
}

static void on_output(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    byte_sent((uint8_t)value, chip_cycle());
}

static void on_interrupt(struct avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    if (value) {
        avr->cycle += RESPONSE_CYCLES + (slept ? WAKE_CYCLES : 0);
        slept = false;
    }
}

static void on_sleep(avr_t *chip, avr_cycle_count_t cycles)
{
    (void)chip, (void)cycles;
    slept = true;
}

static avr_cycle_count_t on_due(avr_t *chip, avr_cycle_count_t when, void *unused)
{
    (void)chip, (void)when, (void)unused;
    uint64_t next = due(chip_cycle());
    return next ? next - cycles_before : 0;
}

static avr_cycle_count_t on_step(avr_t *chip, avr_cycle_count_t when, void *unused)
{
    (void)chip, (void)unused;
    return sleep_step ? when + sleep_step : 0;
}

/* The simulator's messages go to standard error; what it says of a firmware that runs well is left out. */
static void on_message(struct avr_t *chip, const int level, const char *format, va_list arguments)
{
    (void)chip;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, arguments);
}

bool chip_begin(const char *elf, const char *serial, chip_byte on_byte, chip_due on_event)
{
    avr_global_logger_set(on_message);
    byte_sent = on_byte;
    due = on_event;
    if (elf_read_firmware(elf, &firmware)) {
        fprintf(stderr, "%s: can't be read as an ELF file of the firmware\n", elf);
        return false;
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr) {
        fprintf(stderr, "the simulator has no atmega328p\n");
        return false;
    }
    avr_init(avr);
    avr->log = LOG_ERROR;
    avr->sleep = on_sleep;
    firmware.frequency = CHIP_HZ;
    avr_load_firmware(avr, &firmware);
    avr->frequency = CHIP_HZ;
    if (serial) {
        uint8_t bytes[17];
        size_t length = strlen(serial);
        length = length < 16 ? length : 16;
        memcpy(bytes, serial, length);
        bytes[length] = 0xFF;
        avr_eeprom_desc_t text = {.ee = bytes, .offset = 0, .size = (uint32_t)length + 1};
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &text);
    }
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart"))
            port = (avr_uart_t *)io;
    if (!port) {
        fprintf(stderr, "the simulator has no serial port\n");
        return false;
    }
    avr_irq_register_notify(uart(UART_IRQ_OUTPUT), on_output, NULL);
    for (size_t i = 0; i < sizeof vectors; i++)
        avr_irq_register_notify(avr_get_interrupt_irq(avr, vectors[i]) + AVR_INT_IRQ_RUNNING, on_interrupt, NULL);
    return true;
}

uint64_t chip_reset(uint8_t levels)
{
    cycles_before += avr->cycle;
    avr_reset(avr);
    avr->cycle = 0;
    slept = false;
    waiting_from = waiting_to = 0;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    /* The reset clears the pins, but the simulator passes on only what changes. */
    chip_set_levels((uint8_t)~levels);
    chip_set_levels(levels);
    /* One instruction at a time, to see the one that starts the counter. */
    avr_cycle_count_t limit = avr->run_cycle_limit;
    avr->run_cycle_limit = avr->run_cycle_count = 1;
    while (!avr->data[TCCR1B] && avr->state == cpu_Running && avr->cycle < CHIP_HZ)
        avr_run(avr);
    avr->run_cycle_limit = limit;
    /* The firmware has set its speed by now. */
    port->cycles_per_byte = SENT_BYTE_CYCLES;
    return chip_cycle();
}

bool chip_run(uint64_t until, uint64_t step)
{
    if (step != sleep_step) {
        avr_cycle_timer_cancel(avr, on_step, NULL);
        sleep_step = step;
        if (step)
            avr_cycle_timer_register(avr, step, on_step, NULL);
    }
    while (chip_cycle() < until) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            return false;
    }
    return true;
}

void chip_wake_at(uint64_t cycle)
{
    uint64_t now = chip_cycle();
    avr_cycle_timer_cancel(avr, on_due, NULL);
    avr_cycle_timer_register(avr, cycle > now ? cycle - now : 0, on_due, NULL);
}

void chip_set_levels(uint8_t levels)
{
    for (int i = 0; i < INPUTS; i++)
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(INPUT_PORT), i), !(levels >> i & 1));
}

bool chip_send(const uint8_t *bytes, size_t length)
{
    if (waiting_to + length > waiting_room) {
        size_t room = 2 * (waiting_to + length);
        uint8_t *bigger = realloc(waiting, room);
        if (!bigger)
            return false;
        waiting = bigger;
        waiting_room = room;
    }
    if (waiting_to == 0 && length)
        avr_cycle_timer_register(avr, CAME_BYTE_CYCLES, on_input, NULL);
    memcpy(waiting + waiting_to, bytes, length);
    waiting_to += length;
    return true;
}
