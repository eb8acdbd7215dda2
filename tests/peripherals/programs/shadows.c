/* One instruction runs after I is set, whatever sets it. */
#include <avr/interrupt.h>
#include <avr/io.h>

ISR(TIMER1_OVF_vect) {
    GPIOR0 = GPIOR1;
}

static void ask(void) {
    TCNT1 = 0xffff;
    TCCR1B = 1;
    __asm__ volatile("nop\n nop\n nop\n nop");
    TCCR1B = 0;
}

int main(void) {
    TIMSK1 = 1 << TOIE1;
    for (uint8_t n = 1; n < 4; n++) {
        GPIOR1 = n;
        ask();
        uint8_t next = n | 0x10, after = n | 0x20;
        if (n == 1)
            __asm__ volatile("sei\n out %0, %1\n out %0, %2" ::"I"(_SFR_IO_ADDR(GPIOR1)), "r"(next), "r"(after));
        else if (n == 2)
            __asm__ volatile("out __SREG__, %3\n out %0, %1\n out %0, %2" ::"I"(_SFR_IO_ADDR(GPIOR1)), "r"(next),
                             "r"(after), "r"((uint8_t)0x80));
        else
            __asm__ volatile("rcall 1f\n out %0, %1\n out %0, %2\n rjmp 2f\n1: reti\n2:" ::"I"(_SFR_IO_ADDR(GPIOR1)),
                             "r"(next), "r"(after));
        cli();
        GPIOR2 = GPIOR1;
    }
    for (;;)
        ;
}
