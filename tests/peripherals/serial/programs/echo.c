#include <avr/interrupt.h>
#include <avr/io.h>

/* A ring buffer between a receive interrupt and a loop that sends each byte back, in the other case of letters. */

static volatile unsigned char ring[16];
static volatile unsigned char head, tail;

ISR(USART_RX_vect)
{
    unsigned char next = (head + 1) & 15;

    if (next == tail) {
        (void)UDR0;
        GPIOR0++;
        return;
    }
    ring[head] = UDR0;
    head = next;
}

int main(void)
{
    UBRR0 = 103;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
    sei();
    for (;;) {
        while (head == tail)
            ;
        unsigned char value = ring[tail] ^ 0x20;
        tail = (tail + 1) & 15;
        while (!(UCSR0A & 1 << UDRE0))
            ;
        UDR0 = value;
    }
}
