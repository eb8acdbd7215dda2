#include <avr/interrupt.h>
#include <avr/io.h>

/* Sends a line: POLLED waits for an empty buffer before each byte, else the interrupt of the empty buffer does. */

static const char line[] = "brood 34.5\n";
static volatile unsigned char sent;

ISR(USART_UDRE_vect)
{
    UDR0 = line[sent];
    if (++sent == sizeof line - 1)
        UCSR0B = 1 << TXEN0;
}

int main(void)
{
    UBRR0 = 103;
    UCSR0B = 1 << TXEN0;
#ifdef POLLED
    for (unsigned char n = 0; n < sizeof line - 1; n++) {
        while (!(UCSR0A & 1 << UDRE0))
            ;
        UDR0 = line[n];
    }
#else
    UCSR0B |= 1 << UDRIE0;
    sei();
#endif
    for (;;)
        ;
}
