/* Eight thermocouple amplifiers to one serial line. ATmega328P, MAX31855-class chips, no library but avr-libc.
 *
 * A line a channel, eight lines a second:
 *
 *     1,01901900,#2A,7C65
 *     |    |      |    |
 *     |    |      |    CRC-16/MODBUS over all before its comma
 *     |    |      lines sent: 00 once after a start, then 01..FF and 01 again
 *     |    the 32-bit word as the chip sent it: hot junction, fault bits, cold junction
 *     channel, 1..8
 *
 * The word goes out untouched. What it means, and whether to believe it, is for the other end to judge.
 */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stdint.h>
#include <util/crc16.h>
#include <util/delay.h>

#ifndef BAUD
#define BAUD 38400UL /* 0.2 % off with a 16 MHz crystal; 115200 would be 2.1 % off */
#endif
#include <util/setbaud.h>

#define CHANNELS 8
#define LINES_A_SECOND 8 /* each chip is read once a second; a conversion takes it 0.1 s (data sheet 19-5793) */
#define PRESCALER 64
#define START_UP_MS 250 /* the chip's first word is false; it needs 0.2 s from power-up (the same data sheet) */
#define ATTEMPTS 3
#define DEAD_BUS 0xFFFFFFFFUL

/* Chip selects: PD2..PD7 for channels 1 to 6, PB0 and PB1 for 7 and 8. */
#define SELECTS_D 0xFC
#define SELECTS_B 0x03
#define SPI_HOST_B _BV(PB2) /* must be an output, or a low level there would end master mode */
#define SPI_IN_B _BV(PB4)
#define SPI_CLOCK_B _BV(PB5)

static volatile bool due;
static uint8_t lines_sent;

/* Before main: a watchdog that has fired stays on, at its shortest time. */
__attribute__((naked, used, section(".init3"))) void stop_watchdog(void)
{
    MCUSR = 0;
    wdt_disable();
}

ISR(TIMER1_COMPA_vect)
{
    due = true;
}

static void set_up(void)
{
    PORTD = SELECTS_D; /* high before they become outputs: no chip is ever selected by chance */
    DDRD = SELECTS_D;
    PORTB = SELECTS_B | SPI_HOST_B | SPI_IN_B; /* pull-up on the input: a missing chip reads as all ones */
    DDRB = SELECTS_B | SPI_HOST_B | SPI_CLOCK_B;
    /* Mode 0, 1 MHz: the chip changes its output on the falling edge, so it is read on the rising one. It could do
     * 5 MHz; slower forgives longer wires. */
    SPCR = _BV(SPE) | _BV(MSTR) | _BV(SPR0);

    UBRR0 = UBRR_VALUE;
    UCSR0A = USE_2X ? _BV(U2X0) : 0;
    UCSR0B = _BV(TXEN0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8 data bits, no parity, one stop bit */

    TCCR1B = _BV(WGM12) | _BV(CS11) | _BV(CS10); /* clear on compare; prescaler 64 */
    OCR1A = F_CPU / PRESCALER / LINES_A_SECOND - 1;
    TIMSK1 = _BV(OCIE1A);
    set_sleep_mode(SLEEP_MODE_IDLE);
}

static void select(uint8_t channel, bool on)
{
    volatile uint8_t *port = channel < 6 ? &PORTD : &PORTB;
    uint8_t bit = channel < 6 ? _BV(channel + 2) : _BV(channel - 6);

    if (on)
        *port &= ~bit;
    else
        *port |= bit;
}

static uint32_t word_of(uint8_t channel)
{
    uint32_t word = 0;

    select(channel, true);
    _delay_us(1); /* the first bit is there 0.1 us after the select */
    for (uint8_t i = 0; i < 4; i++) {
        SPDR = 0;
        loop_until_bit_is_set(SPSR, SPIF);
        word = word << 8 | SPDR;
    }
    select(channel, false);
    return word;
}

/* The chip keeps its word until the next conversion ends, so two reads in a row must agree. If they never do, the bus
 * is no good, and that is what is said: no checksum guards this side of the wire. */
static uint32_t agreed_word_of(uint8_t channel)
{
    for (uint8_t i = 0; i < ATTEMPTS; i++) {
        uint32_t word = word_of(channel);

        if (word == word_of(channel))
            return word;
    }
    return DEAD_BUS;
}

static void send(char byte)
{
    loop_until_bit_is_set(UCSR0A, UDRE0);
    UDR0 = byte;
}

static uint16_t send_counted(char byte, uint16_t crc)
{
    send(byte);
    return _crc16_update(crc, byte);
}

static uint16_t send_hex(uint32_t value, uint8_t digits, uint16_t crc)
{
    while (digits--)
        crc = send_counted("0123456789ABCDEF"[value >> 4 * digits & 0xF], crc);
    return crc;
}

static void send_line(uint8_t channel, uint32_t word)
{
    uint16_t crc = 0xFFFF;

    crc = send_counted('1' + channel, crc);
    crc = send_counted(',', crc);
    crc = send_hex(word, 8, crc);
    crc = send_counted(',', crc);
    crc = send_counted('#', crc);
    crc = send_hex(lines_sent, 2, crc);
    send(',');
    send_hex(crc, 4, 0);
    send('\n');
    lines_sent = lines_sent == 0xFF ? 1 : lines_sent + 1;
}

static void wait_for_tick(void)
{
    cli();
    while (!due) {
        sleep_enable();
        sei(); /* the instruction after it still runs before any interrupt: no tick slips in between */
        sleep_cpu();
        sleep_disable();
        cli();
    }
    due = false;
    sei();
}

int main(void)
{
    uint8_t channel = 0;

    set_up();
    _delay_ms(START_UP_MS);
    wdt_enable(WDTO_1S);
    for (;;) {
        wait_for_tick();
        wdt_reset();
        send_line(channel, agreed_word_of(channel));
        channel = (channel + 1) % CHANNELS;
    }
}
