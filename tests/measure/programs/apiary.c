/* A hive counter: the state, handlers and helpers that the definitions of a measurement are tried on. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <setjmp.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>

/* Addresses that the part reserves: no device will ever be modelled there. */
#define ABSENT _SFR_MEM8(0xE0)
#define ABSENT_WORD _SFR_MEM16(0xE0)

volatile uint8_t ticks;
volatile uint16_t late_ticks;
uint8_t mode = 3;
static uint16_t weight = 500;
uint8_t log_room[64];
const uint8_t weights_of_bees[8] = {1, 2, 4, 8, 16, 32, 64, 128};
const uint8_t table[4] PROGMEM = {11, 22, 33, 44};
static const char *label;
uint8_t (*on_alarm)(uint8_t) = NULL;
jmp_buf rescue;
static uint8_t *heap_byte;

static void note_late(void) __attribute__((noinline));
static void note_late(void) { ++late_ticks; }

ISR(TIMER1_COMPA_vect) { ++ticks; }
ISR(TIMER1_OVF_vect) { note_late(); }

void start_timer(void) { TCNT1 = 0; TCCR1B = _BV(CS10); }
void start_slow_timer(void) { TCCR1B = _BV(CS12) | _BV(CS10); }
void start_ticking(void) { OCR1A = 499; TCCR1B = _BV(WGM12) | _BV(CS10); TIMSK1 = _BV(OCIE1A); }
void enable(void) { sei(); }
uint16_t now(void) { return TCNT1; }
uint8_t interrupts_enabled(void) { return SREG >> SREG_I; }

uint8_t crc8_step(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; ++bit)
        crc = crc & 0x80 ? (crc << 1) ^ 0x07 : crc << 1;
    return crc;
}

uint16_t add_weight(uint8_t more) { weight += more; return weight; }
uint16_t weigh(uint8_t count) { return weight + count * mode + PINB; }
uint16_t set_then_weigh(uint8_t count) { mode = 2; return count * mode; }
uint8_t weight_of(uint8_t n) { return weights_of_bees[n & 7]; }
uint8_t in_flash(uint8_t n) { return pgm_read_byte(&table[n & 3]); }
uint8_t flash_at(const uint8_t *where, uint8_t n) { return pgm_read_byte(where + n); }
uint8_t first_of_log(void) { return log_room[0]; }
void fill_log(uint8_t with) { for (uint8_t i = 0; i < sizeof log_room; ++i) log_room[i] = with; }
uint8_t untouched_ram(void) { return *(volatile uint8_t *)0x0700; }

uint8_t count_hive(void) { static uint8_t calls; return ++calls; }
uint8_t count_other(void) { static uint8_t calls = 100; return ++calls; }

void keep_label(const char *text) { label = text; }
uint8_t label_letter(uint8_t n) { return label[n]; }
void on_heap(uint8_t value) { heap_byte = malloc(1); *heap_byte = value; }
uint8_t from_heap(void) { return *heap_byte; }
uint8_t alarm(uint8_t level) { return on_alarm(level); }
uint8_t twice(uint8_t level) { return 2 * level; }
uint8_t letter(uint8_t n) { return "honey"[n % 5]; }

static uint8_t compare_calls;
static int by_size(const void *a, const void *b) { ++compare_calls; return *(const uint8_t *)a - *(const uint8_t *)b; }
uint8_t sorted_middle(void)
{
    uint8_t sizes[5] = {9, 3, 7, 1, 5};
    qsort(sizes, 5, 1, by_size);
    return sizes[2];
}

float mean_weight(uint16_t sum, uint8_t count) { return (float)sum / count; }
float tail_weight(uint16_t sum) { return mean_weight(sum, 3); }

static void falls(uint8_t how) __attribute__((noinline));
static void falls(uint8_t how) { if (how) longjmp(rescue, how); }
uint8_t recovers(uint8_t how)
{
    uint8_t was = setjmp(rescue);
    if (!was)
        falls(how);
    return was;
}
void escapes(void) { longjmp(rescue, 1); }

uint16_t busy(uint16_t turns)
{
    while (turns--)
        __asm__ volatile("nop");
    return ticks;
}

void waits_for_tick(void) { ticks = 0; while (!ticks) { } }
void waits_if(uint8_t turns) { ticks = 0; if (turns) while (!ticks) { } }
uint16_t waits_and_counts(void) { uint16_t turns = 0; late_ticks = 0; while (!late_ticks) ++turns; return turns; }
void waits_for_nothing(void) { ABSENT = 0x40; while (ABSENT & 0x40) { } }
void waits_for_pin(void) { while (!(PINB & 1)) { } }
void waits_for_overflow(void) { while (!(TIFR1 & _BV(TOV1))) { } }
void spins(void) { for (;;) { } }
void sleeps(void) { set_sleep_mode(SLEEP_MODE_IDLE); sleep_enable(); sleep_cpu(); }
void gives_up(void) { exit(1); }
uint8_t reads_wave(void) { TCCR1A = _BV(WGM10); TCCR1B = _BV(WGM13) | _BV(WGM12) | _BV(CS10); return TCNT1L; }
uint16_t reads_absent(void) { return ABSENT_WORD; }
void touches_absent(void) { ABSENT = 0x40; }
void touches_if(uint8_t n) { if (n & 4) ABSENT = n; }
int deep(int n) { volatile char room[64]; room[0] = n; return n ? deep(n - 1) + room[0] : 0; }
uint8_t wide_frame(uint8_t n) { volatile uint8_t room[1970]; room[n] = n; room[1969] = 1; return room[n]; }

int main(void)
{
    mode = 4;
    for (;;) { }
}
