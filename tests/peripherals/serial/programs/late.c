#include <avr/io.h>
#include <util/delay.h>

/* Begins to read its port long after bytes have come. */

int main(void)
{
    UBRR0 = 103;
    UCSR0B = 1 << RXEN0;
    _delay_ms(20);
    for (;;) {
        while (!(UCSR0A & 1 << RXC0))
            ;
        GPIOR0 = UCSR0A;
        GPIOR0 = UDR0;
    }
}
