/* The firmware of deploy/firmware in a simulated ATmega328P (libsimavr), with eight simulated amplifiers on its SPI.
 *
 *     amplifier_bench FIRMWARE.elf FREQUENCY
 *
 * What the UART sends goes to descriptor 1, a pseudo-terminal in the tests. Orders come in on descriptor 0, one a line;
 * each is answered on descriptor 2, by "done" and the lines that have left the UART so far. Simulated time passes in `run` only, so nothing hangs on the machine.
 *
 *     word CHANNEL HEX    the chip has this word from now on       gone CHANNEL         no chip there any more
 *     noise CHANNEL N     one bit wrong in N of its next bytes     run MS               lets time pass
 *     reset               the reset pin                            hang                 the program goes in circles
 *     half                runs to the middle of a line
 *     look                answers "mode M clock HZ resets N clashes N": SPI mode and clock, restarts of the program,
 *                         bytes during which several chips were selected
 */

#include <errno.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define CHANNELS 8
#define SPCR_ADDRESS 0x4C /* of the ATmega328P, data sheet: register summary */
#define SPSR_ADDRESS 0x4D
#define FOREVER 0xCFFF /* rjmp .-2 */

struct chip {
    uint32_t word, shifting;
    int present, selected, noisy_bytes;
};

static avr_t *avr;
static struct chip chips[CHANNELS];
static avr_irq_t *spi_in;
static unsigned resets, clashes, line_bytes, lines;
static int at_start;

static void on_select(avr_irq_t *irq, uint32_t level, void *param)
{
    struct chip *chip = param;

    (void)irq;
    if (!level && !chip->selected)
        chip->shifting = chip->word;
    chip->selected = !level;
}

static void on_spi_byte(avr_irq_t *irq, uint32_t byte, void *param)
{
    uint8_t reply = 0xFF; /* the pull-up */
    int selected = 0;

    (void)irq, (void)byte, (void)param;
    for (struct chip *chip = chips; chip < chips + CHANNELS; chip++) {
        if (!chip->selected)
            continue;
        selected++;
        if (!chip->present)
            continue;
        reply &= chip->shifting >> 24;
        chip->shifting <<= 8;
        if (chip->noisy_bytes > 0 && chip->noisy_bytes--)
            reply ^= 1 << chip->noisy_bytes % 8;
    }
    clashes += selected > 1;
    avr_raise_irq(spi_in, reply);
}

static void on_uart_byte(avr_irq_t *irq, uint32_t value, void *param)
{
    char byte = value;
    struct pollfd room = {.fd = 1, .events = POLLOUT};

    (void)irq, (void)param;
    line_bytes = byte == '\n' ? 0 : line_bytes + 1;
    lines += byte == '\n';
    while (write(1, &byte, 1) < 0) {
        if (errno != EAGAIN)
            exit(0); /* unplugged */
        poll(&room, 1, -1);
    }
}

static void no_waiting(avr_t *sleeper, avr_cycle_count_t cycles)
{
    (void)sleeper, (void)cycles;
}

static void step(void)
{
    int state = avr_run(avr);

    if (state == cpu_Done || state == cpu_Crashed) {
        fprintf(stderr, "the program ended\n");
        exit(1);
    }
    if (avr->pc == 0 && !at_start)
        resets++;
    at_start = avr->pc == 0;
}

static void run(double ms)
{
    avr_cycle_count_t until = avr->cycle + (avr_cycle_count_t)(ms * avr->frequency / 1000);

    while (avr->cycle < until)
        step();
}

/* A program that has lost its way: it goes in circles, with interrupts off, until something resets it. */
static void hang(void)
{
    uint8_t kept[2];
    avr_flashaddr_t here;
    unsigned before = resets;

    while (avr->state != cpu_Running)
        step();
    here = avr->pc;
    memcpy(kept, avr->flash + here, 2);
    avr->flash[here] = FOREVER & 0xFF;
    avr->flash[here + 1] = FOREVER >> 8;
    avr->sreg[S_I] = 0;
    for (avr_cycle_count_t until = avr->cycle + 10ULL * avr->frequency; avr->cycle < until && resets == before;)
        step();
    memcpy(avr->flash + here, kept, 2);
}

static unsigned spi_clock(void)
{
    static const unsigned dividers[] = {4, 16, 64, 128};
    unsigned divider = dividers[avr->data[SPCR_ADDRESS] & 3];

    return avr->frequency / (avr->data[SPSR_ADDRESS] & 1 ? divider / 2 : divider);
}

static void obey(const char *order)
{
    unsigned channel, number;
    double ms;

    if (sscanf(order, "word %u %x", &channel, &number) == 2) {
        chips[channel - 1].word = number;
        chips[channel - 1].present = 1;
    } else if (sscanf(order, "gone %u", &channel) == 1)
        chips[channel - 1].present = 0;
    else if (sscanf(order, "noise %u %u", &channel, &number) == 2)
        chips[channel - 1].noisy_bytes = number;
    else if (sscanf(order, "run %lf", &ms) == 1)
        run(ms);
    else if (!strncmp(order, "half", 4))
        while (line_bytes != 8)
            step();
    else if (!strncmp(order, "reset", 5)) {
        avr_reset(avr);
        resets++;
    } else if (!strncmp(order, "hang", 4))
        hang();
    else if (!strncmp(order, "look", 4)) {
        fprintf(stderr, "mode %d clock %u resets %u clashes %u\n", avr->data[SPCR_ADDRESS] >> 2 & 3, spi_clock(), resets,
                clashes);
        return;
    } else {
        fprintf(stderr, "unknown order\n");
        return;
    }
    fprintf(stderr, "done %u\n", lines);
}

int main(int count, char **arguments)
{
    elf_firmware_t firmware = {0};
    uint32_t flags = 0;
    char order[80];

    if (count != 3 || elf_read_firmware(arguments[1], &firmware) || !(avr = avr_make_mcu_by_name("atmega328p"))) {
        fprintf(stderr, "usage: amplifier_bench FIRMWARE.elf FREQUENCY\n");
        return 2;
    }
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->frequency = atoi(arguments[2]);
    avr->sleep = no_waiting;
    avr->log = LOG_NONE;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_uart_byte, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), on_spi_byte, NULL);
    spi_in = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    for (int i = 0; i < CHANNELS; i++) {
        avr_irq_t *pin = i < 6 ? avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), i + 2)
                               : avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), i - 6);
        avr_irq_register_notify(pin, on_select, &chips[i]);
    }
    fprintf(stderr, "ready\n");
    while (fgets(order, sizeof order, stdin))
        obey(order);
    return 0;
}
