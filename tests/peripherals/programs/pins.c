#include <avr/io.h>
#include <stdint.h>

/* An output read back at once, after one NOP, and toggled through its PIN register. */

uint8_t at_once(void)
{
    uint8_t seen;
    DDRB = 0xFF;
    PORTB = 0;
    asm volatile("nop\n\tout %1, %2\n\tin %0, %3"
                 : "=r"(seen) : "I"(_SFR_IO_ADDR(PORTB)), "r"((uint8_t)0x55), "I"(_SFR_IO_ADDR(PINB)));
    return seen;
}

uint8_t after_a_nop(void)
{
    uint8_t seen;
    DDRB = 0xFF;
    PORTB = 0;
    asm volatile("nop\n\tout %1, %2\n\tnop\n\tin %0, %3"
                 : "=r"(seen) : "I"(_SFR_IO_ADDR(PORTB)), "r"((uint8_t)0x55), "I"(_SFR_IO_ADDR(PINB)));
    return seen;
}

uint8_t toggled(void)
{
    DDRB = 0xFF;
    PORTB = 0x0F;
    PINB = 1 << 0;
    PINB = 1 << 4;
    return PORTB;
}
