/* Reference pulse counter for an ATmega328P at 16 MHz: four channels, the wire format of daemon/wire.py.
 *
 * Reed or Hall contacts to ground on PC0..PC3 (internal pull-ups on), sentences on TXD at 38400 baud, one a second.
 * A falling edge counts once the line had been high for HOLD ticks: contacts bounce when they close and when they
 * open, and a plain lock-out after an edge would count an opening contact twice. HOLD caps the rate: pulses whose
 * high half is shorter than 0.5 ms are thrown away, and the rejected counts show it.
 * 38400 baud and not 115200, which this clock misses by 2 %.
 *
 * avr-gcc -mmcu=atmega328p -Os -Wall -Wextra -Werror -o counter.elf counter.c
 */
#define F_CPU 16000000UL
#define BAUD 38400

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>
#include <stdio.h>
#include <util/atomic.h>
#include <util/crc16.h>
#include <util/setbaud.h>

#define CHANNELS 4
#define PINS ((1 << CHANNELS) - 1)
#define HOLD 31UL /* ticks of 16 us: 0.5 ms */
#define TICKS_A_SECOND 125

struct channel {
    uint32_t count;    /* pulses since the start */
    uint32_t rejected; /* edges thrown away since the start */
    uint32_t rose;     /* tick at which the line last went high */
};

static volatile struct channel channels[CHANNELS];
static volatile uint32_t uptime_s;
static volatile uint16_t high_ticks;
static volatile uint8_t second_over;
static uint8_t pins_before = PINS;

static struct channel taken[CHANNELS]; /* the channels as of the sentence being sent */
static uint16_t crc;
static uint8_t checksum;

/* The 32-bit tick clock; interrupts are off. An overflow that still waits for its turn is counted in. */
static uint32_t ticks(void)
{
    uint16_t low = TCNT1, high = high_ticks;
    if ((TIFR1 & _BV(TOV1)) && low < 0x8000) high++;
    return ((uint32_t)high << 16) | low;
}

ISR(PCINT1_vect)
{
    uint32_t now = ticks();
    uint8_t pins = PINC & PINS, changed = pins ^ pins_before;
    pins_before = pins;
    for (uint8_t i = 0; i < CHANNELS; i++) {
        if (!(changed & _BV(i))) continue;
        if (pins & _BV(i)) channels[i].rose = now;
        else if (now - channels[i].rose >= HOLD) channels[i].count++;
        else channels[i].rejected++;
    }
}

ISR(TIMER1_OVF_vect) { high_ticks++; }

ISR(TIMER0_COMPA_vect)
{
    static uint8_t part;
    if (++part < TICKS_A_SECOND) return;
    part = 0;
    uptime_s++;
    second_over = 1;
}

static void send_raw(char byte)
{
    while (!(UCSR0A & _BV(UDRE0))) {}
    UDR0 = byte;
}

/* Send text that the CRC and the checksum cover. */
static void send(const char *text)
{
    for (; *text; text++) {
        crc = _crc_xmodem_update(crc, *text);
        checksum ^= *text;
        send_raw(*text);
    }
}

static void send_sentence(uint32_t uptime)
{
    char text[24];
    crc = 0;
    checksum = 0;
    send_raw('$');
    snprintf(text, sizeof text, "PCLB,%lu,1,", (unsigned long)uptime);
    send(text);
    for (uint8_t i = 0; i < CHANNELS; i++) {
        snprintf(text, sizeof text, "%lu,%lu,", (unsigned long)taken[i].count, (unsigned long)taken[i].rejected);
        send(text);
    }
    snprintf(text, sizeof text, "%04X", crc);
    send(text);
    snprintf(text, sizeof text, "*%02X\r\n", checksum);
    for (const char *end = text; *end; end++) send_raw(*end);
}

int main(void)
{
    UBRR0 = UBRR_VALUE;
    UCSR0A = USE_2X ? _BV(U2X0) : 0;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(TXEN0);
    PORTC = PINS;
    PCMSK1 = PINS;
    PCICR = _BV(PCIE1);
    TCCR1B = _BV(CS12); /* free running, 16 us a tick */
    TIMSK1 = _BV(TOIE1);
    OCR0A = F_CPU / 1024 / TICKS_A_SECOND - 1;
    TCCR0A = _BV(WGM01);
    TCCR0B = _BV(CS02) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    for (;;) {
        uint32_t uptime;
        while (!second_over) sleep_mode();
        second_over = 0;
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            uptime = uptime_s;
            for (uint8_t i = 0; i < CHANNELS; i++) {
                taken[i].count = channels[i].count;
                taken[i].rejected = channels[i].rejected;
            }
        }
        send_sentence(uptime);
    }
}
