/* A beehive monitor in whose functions the compiler finds much to do: each becomes something of its own kind. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdarg.h>
#include <stdint.h>

#define NOINLINE __attribute__((noinline))
#define GREATER(a, b) ({ uint8_t _a = (a), _b = (b); _a > _b ? _a : _b; })
#define MAKE_SCALE(name, factor) NOINLINE uint16_t name(uint8_t raw) { return (uint16_t)raw * (factor); }

struct reading { uint8_t hive; uint16_t weight; };
struct morning { uint8_t bees[10]; };
struct cell { uint8_t offset; uint8_t gain; uint8_t unused; };

volatile uint8_t port, seed;
volatile uint16_t ticks;
volatile uint32_t weight;
volatile uint64_t total;
struct cell cells[2] = {{3, 5, 0}, {4, 6, 0}};
static const uint8_t humidity[8] PROGMEM = {0, 12, 25, 37, 50, 62, 75, 87};

/* Stands by itself. */
NOINLINE uint8_t frame_sum(const uint8_t *bytes, uint8_t count)
{
    uint8_t sum = 0;
    while (count--)
        sum += *bytes++;
    return sum;
}

/* Called once, so it is inlined. */
static uint8_t parity(uint8_t byte)
{
    byte ^= byte >> 4;
    byte ^= byte >> 2;
    byte ^= byte >> 1;
    return byte & 1;
}

/* Inlined twice. */
static inline __attribute__((always_inline)) uint8_t gray(uint8_t count)
{
    return count ^ count >> 1;
}

static inline uint8_t damped(uint8_t raw, uint8_t last)
{
    return (uint8_t)(((uint16_t)raw * 3 + last) >> 2);
}

/* Nothing calls it. */
static __attribute__((unused)) uint8_t forgotten(uint8_t bees)
{
    return bees * 3 + 1;
}

/* Exported, and nothing calls it: link-time optimisation drops it. */
uint8_t spare(uint8_t bees)
{
    return bees * 5 + 1;
}

NOINLINE uint16_t bees_below(uint8_t depth)
{
    return depth == 0 ? 1 : bees_below(depth - 1) + bees_below(depth - 1) + seed;
}

NOINLINE uint8_t is_odd(uint8_t count);
NOINLINE uint8_t is_even(uint8_t count)
{
    return count == 0 ? 1 : is_odd(count - 1);
}
NOINLINE uint8_t is_odd(uint8_t count)
{
    return count == 0 ? 0 : is_even(count - 1);
}

/* The second argument is 3 in all calls: a clone knows it. */
static NOINLINE uint16_t spread(uint8_t bees, uint8_t combs)
{
    uint16_t sum = 0;
    for (uint8_t n = 0; n < combs; n++)
        sum += bees + n * seed;
    return sum;
}

/* Only two bytes of what it points to are read: a clone takes those. */
static NOINLINE uint8_t tared(const struct cell *cell)
{
    uint8_t value = cell->offset;
    for (uint8_t n = 0; n < cell->gain; n++)
        value += seed;
    return value;
}

/* The test is inlined, the work is not. */
NOINLINE void work(uint8_t n)
{
    for (uint8_t i = 0; i < n; i++)
        port += i * seed;
}
static void seldom(uint8_t alarm)
{
    if (!alarm)
        return;
    work(alarm); work(3); port ^= 1; work(alarm + 1); port ^= 2; work(4); port ^= 4; work(5); port ^= 8; work(6);
    port ^= 16; work(alarm + 2); port ^= 32; work(7); port ^= 64;
}

/* The same code under two names. */
NOINLINE uint8_t celsius(uint8_t raw)
{
    return raw * 7 + (seed & 3);
}
NOINLINE uint8_t percent(uint8_t raw)
{
    return raw * 7 + (seed & 3);
}

__attribute__((naked, noinline)) void pulse(void)
{
    __asm__ volatile("sbi %0, 5\n\tcbi %0, 5\n\tret" ::"I"(_SFR_IO_ADDR(PORTB)));
}

ISR(TIMER1_OVF_vect)
{
    ticks++;
}

NOINLINE uint16_t sum_of(uint8_t count, ...)
{
    va_list bees;
    uint16_t sum = 0;
    va_start(bees, count);
    while (count--)
        sum += va_arg(bees, unsigned);
    va_end(bees);
    return sum;
}

NOINLINE uint64_t squared(uint32_t grams)
{
    return (uint64_t)grams * grams;
}

NOINLINE struct reading read_scale(uint8_t hive)
{
    struct reading made = {hive, (uint16_t)hive * 100 + seed};
    return made;
}

NOINLINE struct morning count_bees(uint8_t first)
{
    struct morning made;
    for (uint8_t n = 0; n < sizeof made.bees; n++)
        made.bees[n] = first + n;
    return made;
}

NOINLINE uint8_t humidity_of(uint8_t raw)
{
    return pgm_read_byte(&humidity[raw & 7]);
}

static uint8_t open_gate(uint8_t gate) { return gate | 0x80; }
static uint8_t close_gate(uint8_t gate) { return gate & 0x7F; }
static uint8_t (*volatile action)(uint8_t) = open_gate;

MAKE_SCALE(scaled, 13)

static uint8_t warmer(uint8_t inside, uint8_t outside)
{
    return GREATER(inside, outside);
}

/* Recursion of which a part is inlined. */
static uint8_t depth_of(uint8_t comb)
{
    return comb < 2 ? comb : depth_of(comb >> 1) + 1;
}

int main(void)
{
    uint8_t last = 0;
    uint8_t bytes[3] = {1, 2, seed};
    for (uint8_t turn = 0; turn < 3; turn++) {
        uint8_t now = seed + turn;
        port = frame_sum(bytes, sizeof bytes);
        port = parity(now);
        port = gray(now);
        port = gray(last);
        port = damped(now, last);
        ticks = bees_below(turn);
        port = is_even(turn);
        ticks = spread(now, 3);
        ticks = spread(last, 3);
        port = tared(&cells[0]);
        port = tared(&cells[1]);
        seldom(now);
        seldom(last);
        seldom(turn);
        port = celsius(now);
        port = percent(last);
        pulse();
        ticks = sum_of(2, 100, now);
        total = squared(weight);
        struct reading reading = read_scale(now);
        weight = reading.weight + reading.hive;
        struct morning morning = count_bees(now);
        port = morning.bees[turn];
        port = humidity_of(now);
        port = action(now);
        action = turn & 1 ? open_gate : close_gate;
        ticks = scaled(now);
        port = warmer(now, last);
        port = depth_of(now);
        last = now;
    }
    TCCR1B = 1;
    TIMSK1 = 1 << TOIE1;
    sei();
    for (;;)
        ;
}
