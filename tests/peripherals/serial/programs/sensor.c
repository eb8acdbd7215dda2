#include <avr/io.h>
#include <stdint.h>

/* Reads a temperature and humidity sensor over the two-wire bus and a load cell over SPI, and sends what it read. */

static uint8_t go(uint8_t control)
{
    TWCR = 1 << TWINT | 1 << TWEN | control;
    while (!(TWCR & 1 << TWINT))
        ;
    return TWSR & 0xF8;
}

static void send(uint8_t value)
{
    while (!(UCSR0A & 1 << UDRE0))
        ;
    UDR0 = value;
}

static uint8_t exchange(uint8_t value)
{
    SPDR = value;
    while (!(SPSR & 1 << SPIF))
        ;
    return SPDR;
}

int main(void)
{
    UBRR0 = 8;
    UCSR0B = 1 << TXEN0;
    TWBR = 72;
    DDRB = 1 << 2 | 1 << 3 | 1 << 5;
    SPCR = 1 << SPE | 1 << MSTR | 1 << SPR0;

    send(go(1 << TWSTA));
    TWDR = 0x44 << 1;
    send(go(0));
    TWDR = 0x2C;
    send(go(0));
    send(go(1 << TWSTA));
    TWDR = 0x44 << 1 | 1;
    send(go(0));
    for (uint8_t n = 0; n < 3; n++) {
        send(go(n < 2 ? 1 << TWEA : 0));
        send(TWDR);
    }
    TWCR = 1 << TWINT | 1 << TWEN | 1 << TWSTO;
    while (TWCR & 1 << TWSTO)
        ;
    for (uint8_t n = 0; n < 3; n++)
        send(exchange(n));
    send('.');
    for (;;)
        ;
}
