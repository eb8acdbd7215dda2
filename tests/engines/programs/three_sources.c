#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>
#include <util/crc16.h>

/* A beehive monitor's clock, its load cell's sampling and its entrance counter's debouncing, each on a timer of its own
   with a period that fits no other; the main program checks a frame over and over, at times with interrupts off. */

volatile uint16_t ticks, samples;
volatile uint8_t bounces;
volatile uint16_t sum;
static uint8_t frame[23];

ISR(TIMER1_COMPA_vect)
{
    ticks++;
    GPIOR0 = TCNT1L;
}

ISR(TIMER0_COMPA_vect, ISR_NOBLOCK)
{
    samples += TCNT0;
    frame[samples % sizeof frame] ^= TCNT0;
    GPIOR1 = samples;
}

ISR(TIMER2_OVF_vect)
{
    bounces = bounces << 1 | (bounces >> 7 ^ 1);
    GPIOR2 = TCNT2;
}

#ifdef FOURTH
/* On the way up and on the way down, at unequal distances. */
ISR(TIMER2_COMPB_vect)
{
    sum ^= TCNT2;
}
#endif

static uint16_t check(void)
{
    uint16_t crc = 0xffff;
    for (uint8_t i = 0; i < sizeof frame; i++)
        crc = _crc_ccitt_update(crc, frame[i]);
    return crc;
}

int main(void)
{
    OCR1A = 976;
    TIMSK1 = 1 << OCIE1A;
    OCR0A = 100;
    TCCR0A = 1 << WGM01 | 1 << WGM00;
    TIMSK0 = 1 << OCIE0A;
    TCCR2A = 1 << WGM20;
    OCR2B = 37;
    TIMSK2 = 1 << TOIE2;
#ifdef FOURTH
    TIMSK2 |= 1 << OCIE2B;
#endif
    TCCR1B = 1 << WGM12 | 1;
    TCCR0B = 1 << WGM02 | 2;
    TCCR2B = 1;
    sei();
    for (;;) {
        uint16_t crc = check();
        cli();
        sum += crc;
        /* As long off as the frame says. */
        for (uint8_t n = crc & 7; n; n--)
            asm volatile("nop");
        sei();
    }
}
