/* A function for each way that arguments and results travel. Overflow wraps: built with -fwrapv. Nothing calls them, so
 * link-time optimization leaves in only those that ALL lists. */
#include <avr/pgmspace.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>

#define MIX(name, type) type mix_##name(type a, type b) { return a * 3 - b; }
MIX(i8, int8_t)
MIX(u8, uint8_t)
MIX(i16, int16_t)
MIX(u16, uint16_t)
MIX(i24, __int24)
MIX(u24, __uint24)
MIX(i32, int32_t)
MIX(u32, uint32_t)
MIX(i64, int64_t)
MIX(u64, uint64_t)

#define STRUCTURE(n) \
    struct s##n { uint8_t b[n]; }; \
    uint16_t sum_s##n(uint8_t before, struct s##n v, uint8_t after) \
    { \
        uint16_t sum = before + 7 * after; \
        for (uint8_t i = 0; i < n; ++i) \
            sum += (i + 1) * v.b[i]; \
        return sum; \
    } \
    struct s##n make_s##n(uint8_t start) \
    { \
        struct s##n v; \
        for (uint8_t i = 0; i < n; ++i) \
            v.b[i] = start + 3 * i; \
        return v; \
    }
STRUCTURE(1)
STRUCTURE(2)
STRUCTURE(3)
STRUCTURE(4)
STRUCTURE(5)
STRUCTURE(6)
STRUCTURE(7)
STRUCTURE(8)
STRUCTURE(9)
STRUCTURE(10)

enum level { LOW = -2, MIDDLE, HIGH = 700 };
struct point { int16_t x, y; };
struct hive { uint8_t number; struct point place; uint16_t frames[3]; const char *name; unsigned full : 3; };

uint8_t counter __attribute__((used)) = 40;
const uint8_t in_flash[] __attribute__((used)) PROGMEM = {3, 1, 4, 1, 5};

float scaled(float x, int8_t by) { return x * by + 0.5f; }
double ratio(double a, double b) { return a / b; }
bool both(bool a, bool b) { return a && b; }
bool is_above(int16_t a, int16_t b) { return a > b; }
enum level raise_level(enum level from) { return from == LOW ? MIDDLE : HIGH; }
char upper(char c) { return c & ~0x20; }
uint16_t high_word(uint64_t v) { return v >> 48; }
int32_t many(uint8_t a, uint32_t b, uint16_t c, uint64_t d, uint8_t e, uint16_t f, int32_t g, uint8_t h, int16_t i, int8_t j)
{
    return a + b + c + (uint32_t)d + 2 * e + 3L * f + 5 * g + 7 * h + 11L * i + 13 * j;
}
uint8_t tenth(uint16_t a, uint16_t b, uint16_t c, uint16_t d, uint16_t e, uint16_t f, uint16_t g, uint16_t h, uint16_t i, uint8_t j)
{
    return j;
}
uint8_t behind_structures(struct s10 a, struct s9 b, uint8_t c) { return a.b[9] ^ b.b[8] ^ c; }
int16_t total(uint8_t count, ...)
{
    va_list list;
    int16_t sum = 0;
    va_start(list, count);
    while (count--)
        sum += va_arg(list, int);
    va_end(list);
    return sum;
}
int32_t mixed_total(uint8_t count, ...)
{
    va_list list;
    int32_t sum = 0;
    va_start(list, count);
    while (count--) {
        sum += va_arg(list, long);
        sum += va_arg(list, int);
        sum += *va_arg(list, const char *);
    }
    va_end(list);
    return sum;
}

uint16_t sum_bytes(const uint8_t *data, uint8_t count) { uint16_t sum = 0; while (count--) sum += *data++; return sum; }
int32_t sum_words(const int16_t *data, uint8_t count) { int32_t sum = 0; while (count--) sum += *data++; return sum; }
uint8_t length(const char *text) { uint8_t n = 0; while (*text++) ++n; return n; }
void fill(uint8_t *data, uint8_t count, uint8_t with) { while (count--) *data++ = with++; }
void swap_words(uint16_t *a, uint16_t *b) { uint16_t t = *a; *a = *b; *b = t; }
uint8_t from_flash(const uint8_t *where, uint8_t n) { return pgm_read_byte(where + n); }
uint8_t bump(uint8_t *what) { return ++*what; }
const char *after(const char *text, char letter) { while (*text && *text != letter) ++text; return text; }
uint8_t triple(uint8_t n) { return 3 * n; }
uint8_t apply(uint8_t (*to)(uint8_t), uint8_t n) { return to(n) + 1; }
uint16_t read_hive(const struct hive *h)
{
    return h->number + h->place.x - h->place.y + h->frames[0] + 2 * h->frames[1] + 3 * h->frames[2] + h->name[1] + h->full;
}
uint16_t by_value(struct hive h) { return read_hive(&h); }
void move(struct point *p, int8_t dx, int8_t dy) { p->x += dx; p->y += dy; }
struct point mirrored(struct point p) { struct point q = {-p.x, -p.y}; return q; }
void nothing(void) { }

#ifdef ALL
void *const all[] __attribute__((used)) = {ALL};
#endif
