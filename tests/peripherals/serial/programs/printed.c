#include <avr/io.h>
#include <stdio.h>

/* What a program prints through a stream of the library: readings of a hive. */

static int put(char c, FILE *stream)
{
    (void)stream;
    if (c == '\n')
        put('\r', stream);
    while (!(UCSR0A & 1 << UDRE0))
        ;
    UDR0 = c;
    return 0;
}

static FILE port = FDEV_SETUP_STREAM(put, NULL, _FDEV_SETUP_WRITE);

int main(void)
{
    static const int weights[] = {-12, 0, 4711, 32767, -32768};

    UBRR0 = 8;
    UCSR0B = 1 << TXEN0;
    stdout = &port;
    puts("hive 3");
    for (unsigned char n = 0; n < sizeof weights / sizeof *weights; n++)
        printf("%u: %6d g 0x%04x |%-6s|\n", n, weights[n], (unsigned)weights[n], n & 1 ? "brood" : "honey");
    printf("%ld %lu %c%%\n", -2000000000L, 4000000000UL, 'z');
    puts("END");
    for (;;)
        ;
}
