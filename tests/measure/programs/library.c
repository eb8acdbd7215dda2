/* Routines of avr-libc as programs use them: the heap, jumps out of functions, numbers printed and read. */
#include <avr/io.h>
#include <setjmp.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HIVES 6

struct hive {
    struct hive *next;
    uint8_t number;
    uint32_t grams;
};

static jmp_buf rescue;

static int put(char letter, FILE *stream)
{
    (void)stream;
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = letter;
    return 0;
}

static FILE port = FDEV_SETUP_STREAM(put, NULL, _FDEV_SETUP_WRITE);

__attribute__((noinline)) void weigh(uint8_t depth, uint8_t spoilt)
{
    if (depth == spoilt)
        longjmp(rescue, 100 + depth);
    if (depth < 9)
        weigh(depth + 1, spoilt);
}

static void jumps(void)
{
    for (uint8_t spoilt = 0; spoilt < 12; spoilt += 4) {
        volatile uint8_t tried = spoilt;
        int code = setjmp(rescue);

        if (code == 0) {
            weigh(0, spoilt);
            printf("weighed %u\n", tried);
        } else {
            printf("refused %u with %d\n", tried, code);
        }
    }
    printf("again with %d\n", setjmp(rescue));
}

static void heap(void)
{
    struct hive *first = NULL;
    char *text;

    for (uint8_t number = 1; number <= HIVES; number++) {
        struct hive *each = malloc(sizeof *each);

        each->next = first;
        each->number = number;
        each->grams = 10007UL * number * number;
        first = each;
    }
    for (struct hive *each = first; each; each = each->next)
        printf("hive %u: %lu g\n", each->number, each->grams);
    while (first) {
        struct hive *next = first->next;

        free(first);
        first = next;
    }
    text = malloc(20);
    strcpy(text, "propolis");
    text = realloc(text, 200);
    strcat(text, " and wax");
    printf("%s, %u\n", text, (unsigned)strlen(text));
    free(text);
    /* All is free again, so that the heap begins where it began; more than there is is refused. */
    printf("%d ", malloc(1500) != NULL);
    printf("%d\n", malloc(1500) != NULL);
}

static int by_size(const void *left, const void *right)
{
    return *(const int16_t *)left - *(const int16_t *)right;
}

static void numbers(void)
{
    static int16_t counts[] = {300, -7, 12, 0, 32000, -32000 / 2, 5};
    char line[40], number[12];

    qsort(counts, sizeof counts / sizeof *counts, sizeof *counts, by_size);
    for (uint8_t n = 0; n < sizeof counts / sizeof *counts; n++)
        printf("%d ", counts[n]);
    printf("\n%05u|%-7d|%+d|%x|%o|%#lX\n", 42u, -42, 42, 0xbeeu, 8u, 0xC0FFEEUL);
    printf("%ld %d %lu\n", atol("-123456"), atoi("77 bees"), strtoul("ffff", NULL, 16));
    snprintf(line, sizeof line, "%s/%c/%.3s", "hive", '!', "frames");
    printf("%s %s\n", line, strrev(ltoa(-1234567L, number, 10)));
}

int main(void)
{
    UBRR0 = 0;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(TXEN0);
    stdout = &port;
    heap();
    jumps();
    numbers();
    puts("END");
    return 0;
}
