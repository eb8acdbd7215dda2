#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

/* Everything at the gate at once: light barriers on INT0, INT1 and six pin-change pins, a tick, a line from the next
   hive, and a lamp that the handlers switch, which is itself on a pin-change pin. */

static volatile uint8_t seen;

ISR(INT0_vect)
{
    GPIOR0 = 0x10 | (PIND & 0x0C);
    PINB = _BV(PB5);
}

ISR(INT1_vect)
{
    sei();
    GPIOR0 = 0x20 | (PIND & 0x0C);
    seen++;
}

ISR(PCINT0_vect)
{
    GPIOR1 = PINB;
}

ISR(PCINT2_vect)
{
    GPIOR1 = PIND;
}

ISR(TIMER1_COMPA_vect)
{
    GPIOR2 = TCNT1L;
}

ISR(USART_RX_vect)
{
    UDR0 = UDR0 ^ seen;
}

int main(void)
{
    DDRB = _BV(PB5);
    EICRA = _BV(ISC00) | _BV(ISC11);
    EIMSK = _BV(INT0) | _BV(INT1);
    PCMSK0 = 0x27;
    PCMSK2 = 0x70;
    PCICR = _BV(PCIE0) | _BV(PCIE2);
    OCR1A = 1021;
    TCCR1B = _BV(WGM12) | _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
    UBRR0 = 7;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    sei();
    for (uint16_t n = 0;; n++) {
        if (n % 3)
            seen += n;
        else
            PORTC = seen;
    }
}
