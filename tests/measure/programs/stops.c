/* Programs that stop in different ways; STOP says which. */
#include <avr/io.h>
#include <avr/sleep.h>
#include <stdint.h>

int main(void)
{
    for (uint8_t i = 0; i < 10; ++i)
        __asm__ volatile("nop");
#if defined STOP_AT_BREAK
    __asm__ volatile(".word 0x9598");
    for (;;) {
    }
#elif defined STOP_ASLEEP
    sleep_enable();
    sleep_cpu();
#elif defined STOP_IN_LOOP
    for (;;) {
    }
#elif defined STOP_BY_FAULT
    *(volatile uint8_t *)(RAMEND + 1) = 1;
#endif
    return 0;
}
