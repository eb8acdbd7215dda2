/* A hive monitor that sleeps between its measurements and is woken by the watchdog; at last it hangs. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#ifndef MODE
#define MODE SLEEP_MODE_PWR_DOWN
#endif
#ifndef WAKES
#define WAKES 3
#endif

static uint8_t cause __attribute__((section(".noinit")));
static uint8_t resets __attribute__((section(".noinit")));

ISR(WDT_vect) {
    GPIOR0 = TCNT1L;
}

int main(void) {
    cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
    GPIOR1 = cause;
    if (cause & (1 << PORF))
        resets = 0;
    else
        resets++;
    if (resets == 2)
        for (;;)
            ;
    WDTCSR = (1 << WDCE) | (1 << WDE);
    WDTCSR = 1 << WDIE;
    TCCR1B = 1 << CS10;
    set_sleep_mode(MODE);
    sei();
    for (uint8_t n = 0; n < WAKES; n++) {
        TCNT1 = 0;
        GPIOR2 = n;
        sleep_mode();
    }
    wdt_enable(WDTO_30MS);
    GPIOR2 = 0xff;
    for (;;)
        ;
}
