/* Functions that keep what they received, called one by one as a table in flash says. */
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct frame {
    uint8_t id;
    unsigned kind : 3;
    int offset : 5;
    int16_t raw[2];
    union {
        uint16_t word;
        uint8_t bytes[2];
    };
};
struct note {
    char *text;
    uint8_t size;
};
struct big {
    uint8_t b[12];
};
enum level { LOW = -1, HIGH = 300 };

uint8_t logged[LOGGED], count;
#define LOG(x) log_bytes(&(x), sizeof(x))

void log_bytes(const void *from, uint8_t n)
{
    const uint8_t *p = from;
    while (n--)
        logged[count++] = *p++;
}

uint16_t counter = 0x1234;
const uint8_t stored[] PROGMEM = {9, 8, 7};

int16_t twice(int16_t x) { return 2 * x; }

int16_t by_value(const void *a, const void *b) { return *(const int16_t *)a - *(const int16_t *)b; }

void reads_bytes(const uint8_t *data, uint8_t n)
{
    log_bytes(data, n);
    LOG(n);
}

void reads_text(const char *text) { log_bytes(text, strlen(text) + 1); }

void reads_numbers(const int16_t *v, const float *f, const uint32_t *u)
{
    log_bytes(v, 6);
    log_bytes(f, 8);
    LOG(*u);
}

void reads_frame(const struct frame *f)
{
    uint8_t kind = f->kind;
    int8_t offset = f->offset;
    LOG(f->id);
    LOG(kind);
    LOG(offset);
    LOG(f->raw);
    LOG(f->word);
}

void takes_frame(uint8_t before, struct frame f, uint8_t after)
{
    LOG(before);
    reads_frame(&f);
    LOG(after);
}

void reads_note(const struct note *n) { log_bytes(n->text, n->size); }

uint16_t writes(uint8_t *to, uint8_t n)
{
    log_bytes(to, n);
    for (uint8_t i = 0; i < n; i++)
        to[i] = 0x40 + i;
    return 0xBEEF;
}

void reads_program_memory(const uint8_t *p, uint8_t n)
{
    while (n--) {
        uint8_t b = pgm_read_byte(p++);
        LOG(b);
    }
}

void reads_flash(const __flash uint8_t *p, uint8_t n)
{
    while (n--) {
        uint8_t b = *p++;
        LOG(b);
    }
}

void reads_anywhere(const __memx uint8_t *p, uint8_t n, const __memx uint8_t *q)
{
    while (n--) {
        uint8_t a = *p++, b = *q++;
        LOG(a);
        LOG(b);
    }
}

void calls(int16_t (*f)(int16_t), int16_t x)
{
    int16_t y = f(x);
    LOG(y);
}

void reads_list(char **list, uint8_t n)
{
    for (uint8_t i = 0; i < n; i++)
        reads_text(list[i]);
}

struct big fills(const char *text, uint8_t x)
{
    struct big b;
    reads_text(text);
    for (uint8_t i = 0; i < sizeof b.b; i++)
        b.b[i] = x + i;
    return b;
}

void many(uint64_t a, uint64_t b, const char *text, uint8_t c, float d, uint8_t e)
{
    LOG(a);
    LOG(b);
    reads_text(text);
    LOG(c);
    LOG(d);
    LOG(e);
}

void named(enum level x, _Bool y, char c)
{
    LOG(x);
    LOG(y);
    LOG(c);
}

void nothing(const char *p) { LOG(p); }

void *volatile linked[] = {snprintf, qsort};

static void send(uint8_t b)
{
    while (!(UCSR0A & (1 << UDRE0)))
        ;
    UDR0 = b;
}

uint8_t registers[32], results[8];
void run_case(uint16_t stack_pointer, uint16_t function);

int main(void)
{
    const uint8_t *table = (const uint8_t *)TABLE;
#define BYTE() pgm_read_byte(table++)
#define WORD() (table += 2, pgm_read_word(table - 2))
    UCSR0B = 1 << TXEN0;
    for (uint8_t cases = BYTE(); cases; cases--) {
        count = 0;
        memset(logged, 0, LOGGED);
        for (uint8_t blocks = BYTE(); blocks; blocks--) {
            uint8_t *to = (uint8_t *)WORD();
            for (uint8_t n = BYTE(); n; n--)
                *to++ = BYTE();
        }
        for (uint8_t i = 0; i < 32; i++)
            registers[i] = BYTE();
        uint16_t stack_pointer = WORD(), function = WORD();
        run_case(stack_pointer, function);
        send(count);
        for (uint8_t i = 0; i < LOGGED; i++)
            send(logged[i]);
        for (uint8_t i = 0; i < 8; i++)
            send(results[i]);
        uint8_t *shown = (uint8_t *)WORD();
        for (uint8_t i = 0; i < SHOWN; i++)
            send(shown[i]);
    }
    for (;;)
        ;
}
