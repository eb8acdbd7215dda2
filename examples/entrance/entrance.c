/* Counts the bees at a hive's entrance, on an ATmega328P at 16 MHz, as a setup()/loop() program.
 *
 * A bee breaks two light barriers, PD2 outside and PD3 inside: which one first tells her way. A timer interrupt looks at
 * them each millisecond. loop() takes the counts each tenth of a second, shows that it lives, and sends them on; between
 * two ticks the chip sleeps.
 */
#define F_CPU 16000000UL

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>
#include <util/delay.h>

#define BARRIERS (_BV(PIND2) | _BV(PIND3))
#define OUTSIDE _BV(PIND2)
#define LAMP _BV(PORTB5)
#define TICKS_PER_REPORT 100

static volatile uint8_t ticks;
static volatile uint16_t bees_in, bees_out;

ISR(TIMER1_COMPA_vect)
{
    static uint8_t first;
    uint8_t broken = ~PIND & BARRIERS;

    ticks++;
    if (broken == 0) {
        first = 0;
    } else if (first == 0) {
        first = broken;
    } else if (broken == BARRIERS && first != BARRIERS) {
        if (first == OUTSIDE)
            bees_in++;
        else
            bees_out++;
        first = BARRIERS;
    }
}

static void send(char letter)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = letter;
}

static void send_text(const char *text)
{
    while (*text)
        send(*text++);
}

static void send_number(uint16_t number)
{
    char digits[6];
    uint8_t at = sizeof digits;

    digits[--at] = '\0';
    do {
        digits[--at] = '0' + number % 10;
        number /= 10;
    } while (number);
    send_text(&digits[at]);
}

/* Which part of the bees that passed came in, in percent. */
__attribute__((noinline)) uint8_t percent_in(uint16_t in, uint16_t out)
{
    uint32_t all = (uint32_t)in + out;

    return all ? (100UL * in + all / 2) / all : 0;
}

__attribute__((noinline)) void setup(void)
{
    DDRB = LAMP;
    PORTD = BARRIERS; /* pull-ups */
    UBRR0 = 25;       /* 38400 baud */
    UCSR0B = _BV(TXEN0);
    OCR1A = F_CPU / 1000 - 1;
    TIMSK1 = _BV(OCIE1A);
    TCCR1B = _BV(WGM12) | _BV(CS10);
    _delay_ms(2); /* until the barriers' lamps shine */
    sei();
}

__attribute__((noinline)) void loop(void)
{
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_mode();
    if (ticks < TICKS_PER_REPORT)
        return;
    ticks = 0;

    PORTB |= LAMP;
    _delay_us(50);
    PORTB &= ~LAMP;

    cli();
    uint16_t in = bees_in, out = bees_out;
    sei();
    send_text("in ");
    send_number(in);
    send_text(", out ");
    send_number(out);
    send_text(", ");
    send_number(percent_in(in, out));
    send_text(" % in\n");
}

int main(void)
{
    setup();
    for (;;)
        loop();
}
