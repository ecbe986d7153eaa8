/* Runs counter.elf on a simulated ATmega328P, as fast as it goes, with contacts on PC0..PC3.
 *
 * bench ELF SECONDS BOUNCES RESET_AT HZ0 HZ1 HZ2 HZ3
 *
 * Bytes of the UART go to standard output. At each '$' a line on standard error tells the pulses sent until then.
 * BOUNCES: short pulses of 0.1 ms on each closing and each opening. RESET_AT: second of a reset, 0 for none.
 *
 * cc -o bench bench.c -lsimavr -lelf
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>

#define CHANNELS 4
#define CLOCK_HZ 16000000UL

struct contact {
    avr_irq_t *pin;
    double hz;
    int level, toggles_left;
    unsigned long sent;
};

static struct contact contacts[CHANNELS];
static int bounces;

static avr_cycle_count_t next_edge(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct contact *contact = param;
    contact->level = !contact->level;
    avr_raise_irq(contact->pin, contact->level);
    if (contact->toggles_left > 0) {
        contact->toggles_left--;
    } else {
        if (!contact->level) contact->sent++;
        contact->toggles_left = 2 * bounces;
    }
    double wait_us = contact->toggles_left > 0 ? 100 : 5e5 / contact->hz - 200.0 * bounces;
    return when + avr_usec_to_cycles(avr, wait_us);
}

static void plug_in(avr_t *avr)
{
    for (int i = 0; i < CHANNELS; i++) {
        contacts[i].level = 1;
        contacts[i].toggles_left = 0;
        contacts[i].sent = 0;
        avr_raise_irq(contacts[i].pin, 1);
        if (contacts[i].hz > 0) avr_cycle_timer_register_usec(avr, 5e5 / contacts[i].hz, next_edge, &contacts[i]);
    }
}

static void sent_byte(struct avr_irq_t *irq, uint32_t byte, void *param)
{
    (void)irq, (void)param;
    putchar((int)byte);
    if (byte != '$') return;
    for (int i = 0; i < CHANNELS; i++) fprintf(stderr, "%lu%c", contacts[i].sent, i < CHANNELS - 1 ? ' ' : '\n');
}

static void pass_sleep(avr_t *avr, avr_cycle_count_t cycles) { (void)avr, (void)cycles; /* no real time passes */ }

int main(int count, char **words)
{
    if (count != 5 + CHANNELS) return 2;
    double seconds = atof(words[2]), reset_at = atof(words[4]);
    bounces = atoi(words[3]);
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(words[1], &firmware) != 0) return 3;
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    avr_init(avr);
    firmware.frequency = CLOCK_HZ;
    avr_load_firmware(avr, &firmware);
    avr->log = 0;
    avr->sleep = pass_sleep;
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent_byte, NULL);
    for (int i = 0; i < CHANNELS; i++) {
        contacts[i].pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), i);
        contacts[i].hz = atof(words[5 + i]);
    }
    plug_in(avr);
    int reset_done = reset_at <= 0;
    while (avr->cycle < seconds * CLOCK_HZ) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) return 4;
        if (!reset_done && avr->cycle >= reset_at * CLOCK_HZ) {
            reset_done = 1;
            seconds -= reset_at; /* a reset sets the cycle counter to 0 in some versions; count on from there */
            avr_cycle_count_t before = avr->cycle;
            avr_reset(avr);
            seconds += avr->cycle >= before ? reset_at : 0;
            plug_in(avr);
        }
    }
    return 0;
}
