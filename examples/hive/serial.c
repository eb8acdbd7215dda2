#include "serial.h"

#include <avr/io.h>
#include <avr/pgmspace.h>

#ifndef F_CPU
#define F_CPU 16000000UL
#endif

#define BAUD 38400UL

void serial_begin(void)
{
    UBRR0 = (F_CPU + 8 * BAUD) / (16 * BAUD) - 1; /* rounded to the nearest: 0.2 % fast at 16 MHz */
    UCSR0B = _BV(TXEN0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
}

void serial_byte(uint8_t byte)
{
    while (!(UCSR0A & _BV(UDRE0)))
        ;
    UDR0 = byte;
}

void serial_text(const char *text_in_flash)
{
    char c;

    while ((c = pgm_read_byte(text_in_flash++)) != '\0')
        serial_byte(c);
}

void serial_decimal(int32_t value, uint8_t decimals)
{
    uint8_t digits[11];
    uint8_t count = 0;
    uint32_t rest = value < 0 ? -(uint32_t)value : (uint32_t)value;

    /* From the lowest digit up; the point needs one digit before it, even if that is a 0. */
    while (rest != 0 || count <= decimals) {
        digits[count++] = '0' + rest % 10;
        rest /= 10;
    }
    if (value < 0)
        serial_byte('-');
    while (count--) {
        serial_byte(digits[count]);
        if (count == decimals && decimals != 0)
            serial_byte('.');
    }
}
