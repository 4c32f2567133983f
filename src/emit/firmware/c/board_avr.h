/* The board functions on an 8-bit AVR with a 16-bit timer 1: its compare outputs
 * raise the step lines, so that nothing else the processor does can move an edge. */
#ifndef BOARD_AVR_H
#define BOARD_AVR_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "pins.h"

#if PRESCALER == 1
#define TIMER_CLOCK_BITS (1 << CS10)
#elif PRESCALER == 8
#define TIMER_CLOCK_BITS (1 << CS11)
#elif PRESCALER == 64
#define TIMER_CLOCK_BITS (1 << CS11 | 1 << CS10)
#elif PRESCALER == 256
#define TIMER_CLOCK_BITS (1 << CS12)
#elif PRESCALER == 1024
#define TIMER_CLOCK_BITS (1 << CS12 | 1 << CS10)
#else
#error "timer 1 does not divide the clock by that"
#endif

#define BOARD_INTERRUPTS_OFF() cli()
#define BOARD_INTERRUPTS_ON() sei()
/* The instruction behind sei() is executed before any interrupt. */
#define BOARD_IDLE()   \
    do {               \
        sei();         \
        sleep_cpu();   \
    } while (0)

/* Cycles from an event to the line, and at least to the end of a pulse; measured. */
#define BOARD_LEAD (148u / PRESCALER)
#define BOARD_TO_ARM (48u / PRESCALER)

/* The interrupt of the serial port has one name where there is one such port only. */
#ifdef USART_RX_vect
#define SERIAL_VECTOR USART_RX_vect
#else
#define SERIAL_VECTOR USART0_RX_vect
#endif
#define SERIAL_RING 128u

uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode);

/* First the counter, so that no edge comes behind the last flag. */
static inline void board_stop(void)
{
    TCCR1B = 0;
    TCCR1A = 0;
    TIMSK1 = 0;
}

static inline uint16_t board_now(void)
{
    uint8_t kept = SREG;
    uint16_t now;

    /* The two bytes share a register with what interrupts read. */
    cli();
    now = TCNT1;
    SREG = kept;
    return now;
}

/* Arms a channel behind a step for another one. Between two steps its compare output
 * toggles: up at the match, down when a compare is forced. What has matched already is
 * no longer late. */
#define STEP_AGAIN(letter)                                                        \
    do {                                                                          \
        TCCR1C = 1 << FOC1##letter;                                               \
        OCR1##letter = (uint16_t)(from + ticks);                                  \
        if ((uint16_t)(TCNT1 - from) < ticks)                                     \
            return 1;                                                             \
        return TIFR1 & (1 << OCF1##letter);                                       \
    } while (0)

static inline __attribute__((always_inline)) uint8_t board_step_again(uint8_t channel, uint16_t from,
                                                                      uint16_t ticks)
{
    if (channel == 0)
        STEP_AGAIN(A);
#ifdef OCR1C
    if (channel == 2)
        STEP_AGAIN(C);
#endif
    STEP_AGAIN(B);
}

static inline void board_write(uint8_t line, uint8_t level)
{
#define WRITE(number, port, ddr, bit)            \
    if (line == number) {                        \
        if (level)                               \
            port |= 1 << bit;                    \
        else                                     \
            port &= (uint8_t)~(1 << bit);        \
        return;                                  \
    }
#define WRITE_OUTPUT(number, port, ddr, bit) WRITE(LINE_OUTPUT + number, port, ddr, bit)
    DIRECTION_LINES(WRITE)
    OUTPUT_LINES(WRITE_OUTPUT)
    (void)line;
    (void)level;
}

static inline uint8_t board_read(uint8_t input)
{
#define READ(number, pin, port, bit)             \
    if (input == number)                         \
        return !(pin & (1 << bit));
    INPUT_LINES(READ)
#define READ_DUE(number, port, ddr, bit)         \
    if (input == INPUT_DUE + number)             \
        return (TIFR1 & (1 << (OCF1A + number))) != 0;
    STEP_LINES(READ_DUE)
    (void)input;
    /* The emergency stop opens: its line is pulled up. */
    return (EMERGENCY_PIN & (1 << EMERGENCY_BIT)) != 0;
}

#endif
