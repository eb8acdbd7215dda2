// Sends two bytes for ever.
#include <stdint.h>

void shift_out(uint8_t byte);
volatile uint8_t byte = 0xA5;

int main(void)
{
    for (;;) {
        shift_out(byte);
        shift_out(0x0F);
    }
}
