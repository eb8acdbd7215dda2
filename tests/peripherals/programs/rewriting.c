/* A hive monitor that keeps its log in flash, and changes its own code. */
#include <avr/boot.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#define PAGE SPM_PAGESIZE

#ifndef SPMCSR
#define SPMCSR SPMCR
#endif

static void write_page(uint32_t page, uint8_t seed) {
    GPIOR2 = 1;
    boot_page_erase(page);
    GPIOR2 = 2;
    boot_spm_busy_wait();
    for (uint16_t n = 0; n < PAGE; n += 2)
        boot_page_fill(page + n, (uint16_t)(seed + n) << 8 | (uint8_t)(seed ^ n));
    GPIOR2 = 3;
    boot_page_write(page);
    GPIOR2 = 4;
    boot_spm_busy_wait();
#ifdef RWWSRE
    boot_rww_enable();
#endif
    GPIOR2 = 5;
}

/* LDI r24, K is 1110 KKKK 1000 KKKK; RET follows. */
typedef uint8_t (*function)(void);

int main(void) {
    write_page(LOG, 0x31);
    for (uint8_t n = 0; n < 8; n++)
        GPIOR0 = pgm_read_byte((uint16_t)(LOG + n));
    for (uint8_t turn = 0; turn < 3; turn++) {
        cli();
        boot_page_erase((uint16_t)CODE);
        boot_spm_busy_wait();
        for (uint16_t n = 0; n < PAGE; n += 2)
            boot_page_fill((uint16_t)CODE + n, n & 2 ? 0x9508 : 0xe080 | (turn + 8));
        boot_page_write((uint16_t)CODE);
        boot_spm_busy_wait();
#ifdef RWWSRE
        boot_rww_enable();
#endif
        for (uint8_t n = 0; n < 200; n++)
            GPIOR1 = ((function)(CODE / 2))();
    }
    for (;;)
        ;
}
