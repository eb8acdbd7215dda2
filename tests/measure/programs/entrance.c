#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>

/* The entrance of a hive: a light barrier on PB0, a counter on INT0 (PD2), and a serial line from another hive. */

volatile uint8_t bees;

ISR(INT0_vect)
{
    bees++;
    GPIOR0 = bees;
}

/* Waits until the light barrier is dark, and gives the turns of three instructions that took. */
uint16_t wait_for_bee(uint16_t from)
{
    while (!(PINB & _BV(PB0)))
        from++;
    return from;
}

uint8_t receive(void)
{
    uint8_t sum = 0;

    UBRR0 = 103;
    UCSR0B = _BV(RXEN0);
    for (uint8_t i = 0; i < 3; i++) {
        while (!(UCSR0A & _BV(RXC0)))
            ;
        sum += UDR0;
    }
    return sum;
}

/* Weighs: one conversion of channel 3 against AVCC, at clock/128. */
uint16_t weigh(void)
{
    ADMUX = _BV(REFS0) | 3;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | 7;
    while (ADCSRA & _BV(ADSC))
        ;
    return ADC;
}

int main(void)
{
    DDRB = _BV(PB1);
    EICRA = _BV(ISC01) | _BV(ISC00);
    EIMSK = _BV(INT0);
    sleep_enable();
    sei();
    for (;;) {
        sleep_cpu();
        PINB = _BV(PB1);
    }
}
