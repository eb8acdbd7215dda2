/* Arguments of every kind: frames with a checksum, buffers, callbacks, registers, data in flash. */
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdarg.h>
#include <stdint.h>

#define LIMIT 40
#define TWICE_LIMIT LIMIT * 2
#define RATIO 0.25
#define FAR 0xFFFFFFFFFFFFFFFFULL
#define NAME "queen"

enum season { WINTER, SPRING, SUMMER = 9 };
struct crc { uint8_t poly; uint16_t seed; };
struct frame {
    uint8_t id;
    struct crc crc;
    uint8_t urgent : 1;
    uint8_t kind : 7;
    int16_t weights[3];
    char name[6];
    enum season season;
    float scale;
    const char *label;
};
typedef uint8_t (*step)(uint8_t);
struct job { step run; uint8_t with; };

struct frame last = {7, {1, 2}};
uint8_t counts[4] = {10, 20, 30, 40};
#ifdef KEEPS_DATA
volatile uint8_t sink;
int main(void)
{
    for (;;)
        sink = *(volatile uint8_t *)&last.id + ((volatile uint8_t *)counts)[sink];
}
#endif

uint16_t check(struct frame *frame)
{
    frame->id++;
    frame->weights[1] = -5;
    return frame->crc.poly + frame->crc.seed + frame->kind + frame->urgent + (frame->label ? frame->label[0] : 0);
}
uint16_t seed_of(struct crc crc) { return crc.poly + crc.seed; }
struct frame made(uint8_t id)
{
    struct frame frame = {id};
    frame.name[0] = 'b';
    frame.season = SUMMER;
    frame.scale = 1.5;
    frame.weights[2] = -2;
    return frame;
}
void fill(uint16_t *out, uint8_t n)
{
    while (n--)
        out[n] = n * 300;
}
void name_it(char *out) { out[0] = 'q'; }
uint8_t twice(uint8_t x) { return x + x; }
uint8_t apply(step run, uint8_t x) { return run(x); }
uint8_t do_job(const struct job *job) { return job->run(job->with); }
void raise_pin(volatile uint8_t *port, uint8_t mask) { *port |= mask; }
uint8_t in_flash(const uint8_t *bytes, uint8_t n) { return pgm_read_byte(bytes + n); }
uint8_t first(const uint8_t *bytes) { return bytes ? *bytes : 99; }
uint64_t far(uint64_t a) { return a; }
int32_t near(int32_t a) { return a; }
float scaled(float x) { return x * 2; }
uint8_t limited(uint8_t x) { return x; }
uint8_t season_of(enum season now) { return now; }

/* The first letter says what follows: an int, a long, a double, a text. */
int32_t any(char kind, ...)
{
    va_list list;
    int32_t value = 0;

    va_start(list, kind);
    if (kind == 'i')
        value = va_arg(list, int) - va_arg(list, int);
    if (kind == 'l')
        value = va_arg(list, long) + va_arg(list, int);
    if (kind == 'd')
        value = va_arg(list, double) * 4;
    if (kind == 's')
        value = va_arg(list, const char *)[1];
    va_end(list);
    return value;
}
