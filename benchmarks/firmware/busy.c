/* The same work without end, alone or beside a timer interrupt of 1 kHz and a serial port that never falls silent.
 *
 * TICK turns the timer interrupt on, UBRR the serial port, which sends from the interrupt of its empty buffer; with
 * RECEIVE it takes in what comes, from an interrupt too. At 16 MHz.
 *
 * The work is a checksum over a frame, bit by bit, of which compiled code makes very little; with READINGS it is what a
 * hive's firmware computes from its sensors: temperature and dew point in floating point, weight in fixed point. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <math.h>
#include <stdint.h>

static uint8_t frame[64];
static volatile uint16_t ticks;

#ifdef TICK
ISR(TIMER1_COMPA_vect)
{
    ++ticks;
}
#endif

#ifdef UBRR
static volatile uint8_t place;

ISR(USART_UDRE_vect)
{
    UDR0 = frame[place];
    place = (place + 1) & 63;
}
#endif

#ifdef RECEIVE
static volatile uint8_t ring[32];
static volatile uint8_t head;

ISR(USART_RX_vect)
{
    uint8_t next = (head + 1) & 31;

    ring[next] = UDR0;
    head = next;
}
#endif

static uint8_t crc8_step(uint8_t crc, uint8_t byte)
{
    crc ^= byte;
    for (uint8_t bit = 0; bit < 8; ++bit)
        crc = crc & 1 ? (crc >> 1) ^ 0x8c : crc >> 1;
    return crc;
}

#ifdef READINGS
static volatile int32_t weight_grams;
static volatile float dew_point;

static void take_readings(uint8_t seed)
{
    uint16_t raw = 20000 + 97 * seed;
    float celsius = -45.0f + 175.0f * raw / 65535.0f;
    float humidity = (float)(30 + (seed & 63)) / 100.0f;
    float gamma = log(humidity) + 17.62f * celsius / (243.12f + celsius);

    dew_point = 243.12f * gamma / (17.62f - gamma);
    weight_grams = ((int32_t)raw * 4711 - 123456789) / 1013;
}
#endif

int main(void)
{
    uint8_t crc = 0;

    for (uint8_t i = 0; i < sizeof frame; ++i)
        frame[i] = 7 * i;
#ifdef TICK
    OCR1A = 249;
    TCCR1B = _BV(WGM12) | _BV(CS11) | _BV(CS10);
    TIMSK1 = _BV(OCIE1A);
#endif
#ifdef UBRR
    UBRR0 = UBRR;
    UCSR0B = _BV(TXEN0) | _BV(UDRIE0);
#ifdef RECEIVE
    UCSR0B |= _BV(RXEN0) | _BV(RXCIE0);
#endif
#endif
    sei();
    for (;;) {
        for (uint8_t i = 0; i < sizeof frame; ++i)
            crc = crc8_step(crc, frame[i]);
        frame[crc & 63] = crc;
#ifdef READINGS
        take_readings(crc);
#endif
    }
}
