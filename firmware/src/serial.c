/* See serial.h. */
#include "serial.h"

#include <avr/io.h>
#include <avr/pgmspace.h>

#include "board.h"

/* 16 MHz / (8 x 17) = 117,647 baud, 2.1 % fast. Without U2X it is 16 MHz / (16 x 9) = 111,111, 3.5 % slow. A byte
   ends 9.5 bits after its start: 0.2 bits off, where the receiver allows for half. */
#define BAUD_DIVISOR (F_CPU / 8 / 115200UL)

/* The longest line: RIG 1, 16 bytes of version, 7 digits, 1 digit, 16 of serial, blanks, sum, LF. */
#define MOST_LINE 64

static uint8_t line[MOST_LINE];
static uint8_t length; /* bytes of the line that is put together or sent */
static uint8_t sent;
static bool sending;
static uint8_t sum;

void serial_begin(void)
{
    UCSR0A = 1 << U2X0;
    UCSR0C = 1 << UCSZ01 | 1 << UCSZ00;
    UBRR0 = BAUD_DIVISOR - 1;
    UCSR0B = UART_AWAKE;
}

void serial_poll(void)
{
    if (sending && (UCSR0A & (1 << UDRE0))) {
        UDR0 = line[sent++];
        if (sent == length) {
            sending = false;
            length = 0;
            sum = 0;
        }
    }
}

bool serial_ready(void)
{
    return !sending;
}

void put_byte(uint8_t byte)
{
    if (length < MOST_LINE) {
        line[length++] = byte;
        sum ^= byte;
    }
}

void put_text(const char *text)
{
    uint8_t byte;
    while ((byte = pgm_read_byte(text++)))
        put_byte(byte);
}

static void put_digit(uint8_t digit)
{
    put_byte(digit < 10 ? '0' + digit : 'A' - 10 + digit);
}

void put_hex(uint32_t value, uint8_t digits)
{
    /* Byte by byte: a shift of 32 bits by a variable is a slow loop on this chip. */
    for (uint8_t pair = digits / 2; pair-- > 0;) {
        uint8_t byte = ((const uint8_t *)&value)[pair];
        put_digit(byte >> 4);
        put_digit(byte & 0x0F);
    }
}

void put_decimal(uint32_t value)
{
    /* By subtraction: a division of 32 bits takes some 40 us, ten of them longer than the receiver waits. */
    static const uint32_t powers[] PROGMEM = {1000000000, 100000000, 10000000, 1000000, 100000,
                                              10000,      1000,      100,      10,      1};
    bool begun = false;
    for (uint8_t i = 0; i < 10; i++) {
        uint32_t power = pgm_read_dword(&powers[i]);
        uint8_t digit = 0;
        for (; value >= power; value -= power)
            digit++;
        begun |= digit || power == 1;
        if (begun)
            put_digit(digit);
    }
}

void put_end(void)
{
    uint8_t of_content = sum;
    put_byte('*');
    put_hex(of_content, 2);
    put_byte('\n');
    sent = 0;
    sending = true;
    serial_poll();
}

int16_t serial_take(void)
{
    uint8_t status = UCSR0A;
    if (!(status & (1 << RXC0)))
        return -1;
    uint8_t byte = UDR0;
    return status & (1 << FE0 | 1 << DOR0) ? -2 : byte;
}

void serial_before_sleep(void)
{
    UCSR0B = UART_AWAKE | 1 << RXCIE0;
}

void serial_after_sleep(void)
{
    UCSR0B = UART_AWAKE;
}
