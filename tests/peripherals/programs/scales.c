/* A hive's load cell: read in free running, started by a timer, and asleep with less noise. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

volatile uint16_t weight;
volatile uint8_t count;

ISR(ADC_vect) {
    weight = ADC;
    GPIOR0 = ADCL;
    GPIOR1 = ADCH;
#if WAY == 1
    TIFR1 = 1 << OCF1B;
#endif
    count++;
}

int main(void) {
    ADMUX = (1 << REFS0) | 2;
#if WAY == 0
    ADCSRA = (1 << ADEN) | (1 << ADSC) | (1 << ADATE) | (1 << ADIE) | 4;
    sei();
#elif WAY == 1
    ADCSRB = (1 << ADTS2) | (1 << ADTS0);
    ADCSRA = (1 << ADEN) | (1 << ADATE) | (1 << ADIE) | 4;
    OCR1A = 2999;
    OCR1B = 1500;
    TCCR1B = (1 << WGM12) | (1 << CS10);
    sei();
#elif WAY == 2
    ADCSRA = (1 << ADEN) | (1 << ADIE) | 5;
    set_sleep_mode(SLEEP_MODE_ADC);
    sei();
    for (;;) {
        sleep_mode();
        GPIOR2 = count;
    }
#else
    ADCSRA = (1 << ADEN) | 3;
    for (;;) {
        ADCSRA |= 1 << ADSC;
        loop_until_bit_is_clear(ADCSRA, ADSC);
        GPIOR0 = ADCL;
        GPIOR1 = ADCH;
    }
#endif
    for (;;)
        GPIOR2 = count;
}
