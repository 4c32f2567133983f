/* The board functions on an 8-bit AVR with a 16-bit timer 1: its compare outputs
 * raise the step lines, so that nothing else the processor does can move an edge. */
#ifndef BOARD_AVR_H
#define BOARD_AVR_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "pins.h"
#include "player.h"

/* Parts of the first generation: older names, forced compares in the register of the modes,
 * and the bits of timer 1 in the opposite order. Compare outputs of other timers are not used. */
#ifndef TIMSK1
#define FIRST_GENERATION
#define TIMSK1 TIMSK
#define TIFR1 TIFR
#define EIFR GIFR
#define EIMSK GICR
#define EXTERNAL_INTERRUPT(number) (1 << (INT0 + (number)))
#define EICRA MCUCR
#define CHANNEL_FLAG(channel) (1 << OCF1A >> (channel))
#define COMPARE(channel) (*(&OCR1A - (channel)))
#define FORCE(bit) TCCR1A |= (uint8_t)(bit)
#else
#define EXTERNAL_INTERRUPT(number) (1 << (number))
#define CHANNEL_FLAG(channel) (1 << OCF1A << (channel))
#define COMPARE(channel) (*(&OCR1A + (channel)))
#define FORCE(bit) TCCR1C = (uint8_t)(bit)
#endif

/* Every timer has the bits of timer 1, but for timer 2. */
#if PRESCALER == 1
#define TIMER_CLOCK_BITS (1 << CS10)
#elif PRESCALER == 8
#define TIMER_CLOCK_BITS (1 << CS11)
#define TIMER_2_CLOCK_BITS (1 << CS21)
#elif PRESCALER == 64
#define TIMER_CLOCK_BITS (1 << CS11 | 1 << CS10)
#define TIMER_2_CLOCK_BITS (1 << CS22)
#elif PRESCALER == 256
#define TIMER_CLOCK_BITS (1 << CS12)
#define TIMER_2_CLOCK_BITS (1 << CS22 | 1 << CS21)
#elif PRESCALER == 1024
#define TIMER_CLOCK_BITS (1 << CS12 | 1 << CS10)
#define TIMER_2_CLOCK_BITS (1 << CS22 | 1 << CS21 | 1 << CS20)
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
#define BOARD_LEAD (192u / PRESCALER)
#define BOARD_TO_ARM (40u / PRESCALER)
/* From the interrupt of outputs to their edges: time to get several ready while steps
 * keep interrupting. Timers of 8 bits allow 255 ticks at most. */
#define BOARD_OUTPUT_LEAD (2000u / PRESCALER + 2u)
/* Cycles from reading the timer to the line that is then written. */
#define BOARD_WRITE_LEAD (24u / PRESCALER)

/* The serial port: the first one, whose interrupt has one name where there are no others, or
 * the second where a part has no first. */
#ifdef FIRST_GENERATION
#define SERIAL(before, after) before##after
#elif defined(UDR0)
#define SERIAL(before, after) before##0##after
#else
#define SERIAL(before, after) before##1##after
#endif
#ifdef USART_RXC_vect
#define SERIAL_VECTOR USART_RXC_vect
#elif defined(USART_RX_vect)
#define SERIAL_VECTOR USART_RX_vect
#else
#define SERIAL_VECTOR SERIAL(USART, _RX_vect)
#endif
/* The register of the rate is one of 16 bits, or two of which the lower one suffices. */
#ifdef FIRST_GENERATION
#define SERIAL_DIVIDER UBRRL
#else
#define SERIAL_DIVIDER SERIAL(UBRR, )
#endif
/* Bytes that have come in over the line and wait. */
#define SERIAL_RING 128u
#if SERIAL_RING < 32 || SERIAL_RING > 128 || SERIAL_RING & (SERIAL_RING - 1)
#error "SERIAL_RING must be a power of two, 32 to 128"
#endif

uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode);

#ifdef WATCH
#define board_watch(on)        \
    do {                       \
        if (on)                \
            wdt_enable(WATCH); \
        else                   \
            wdt_disable();     \
    } while (0)
#define board_fed() wdt_reset()
#else
#define board_watch(on) (void)0
#define board_fed() (void)0
#endif

#if defined(STREAMED) || defined(START_INPUT)
/* Starts the timer again after a stop. */
void board_restart(void);
#define board_restart board_restart
#endif

/* The counter halts, so that no edge follows the last flag. */
static inline void board_stop(void)
{
    TCCR1B = 0;
    TIMSK1 = 0;
}

/* What step lines do at a match where no step is due: they keep to their level at rest. */
#define REST_MODE(number, port, ddr, bit, active) | (2u + !(active)) << (6u - 2u * number)
#define STEP_REST_MODES (0u STEP_LINES(REST_MODE))
#define REST_FORCE(number, port, ddr, bit, active) | 1u << FOC1A >> number

/* Brings the compare outputs of the step lines to their level at rest, and lets go of them. */
static inline void board_rest_steps(void)
{
#ifndef COILS
    TCCR1A = STEP_REST_MODES;
    FORCE(0u STEP_LINES(REST_FORCE));
#endif
    TCCR1A = 0;
}

/* A pulse that has begun is a step and gets its full length: the line of an axis whose match
 * has not been served may be active. */
static inline void board_finish_pulses(void)
{
#ifndef COILS
#if AXES > 1
    if (TIFR1 & (CHANNEL_FLAG(0) | CHANNEL_FLAG(1)))
#else
    if (TIFR1 & CHANNEL_FLAG(0))
#endif
        __builtin_avr_delay_cycles((STEP_PULSE_TICKS + 1u) * PRESCALER);
#endif
    board_rest_steps();
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

/* Arms a channel for the step after a step, where the coils are switched; step_avr.h
 * does the same for step lines. Between two steps its compare output toggles: up at the
 * match, down when a compare is forced. A step that has matched already is not late. */
#define STEP_AGAIN(letter)                                                        \
    do {                                                                          \
        FORCE(1 << FOC1##letter);                                                 \
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

/* Outputs. The compare output of another timer changes them at their exact count: all timers
 * run in step, so an 8-bit timer equals the low byte of timer 1. It is set less than one of
 * its turns ahead; later matches change nothing. */

#define FORCE_0 TCCR0B = TIMER_CLOCK_BITS | 1 << FOC0A | 1 << FOC0B
#define FORCE_2 TCCR2B = TIMER_2_CLOCK_BITS | 1 << FOC2A | 1 << FOC2B
#ifdef FOC3B
#define FORCE_3 TCCR3C = 1 << FOC3A | 1 << FOC3B | 1 << FOC3C
#else
#define FORCE_3 TCCR3C = 1 << FOC3A
#endif
#define FORCE_4 TCCR4C = 1 << FOC4A | 1 << FOC4B | 1 << FOC4C
#define FORCE_5 TCCR5C = 1 << FOC5A | 1 << FOC5B | 1 << FOC5C

static inline void board_outputs_off(void)
{
#define TIMER_OFF(timer, modes_at_rest) \
    TCCR##timer##A = modes_at_rest;     \
    FORCE_##timer;
#define LINE_OFF(number, port, ddr, bit, active) \
    if (active)                                  \
        port &= (uint8_t)~(1 << bit);            \
    else                                         \
        port |= 1 << bit;
    OUTPUT_TIMERS(TIMER_OFF)
    OUTPUT_LINES(LINE_OFF)
}

/* A line may send anything: a change that would undo a pending one is too late. */
#ifdef STREAMED
#define MADE(timer, letter)                         \
    if (!(TIFR##timer & 1 << OCF##timer##letter)) { \
        player_stop(LATE);                          \
        return;                                     \
    }                                               \
    TIFR##timer = 1 << OCF##timer##letter;
#else
#define MADE(timer, letter)
#endif

/* Called with interrupts on. */
static inline void board_output(uint8_t output, uint8_t level, uint16_t at)
{
#define READY(number, port, ddr, bit, active, timer, letter)                     \
    if (output == number) {                                                      \
        uint8_t before = TCCR##timer##A, modes = before;                         \
                                                                                 \
        modes &= (uint8_t)~(1 << COM##timer##letter##0);                         \
        if (level == active)                                                     \
            modes |= 1 << COM##timer##letter##0;                                 \
        if (modes != before) {                                                   \
            MADE(timer, letter)                                                  \
            OCR##timer##letter = at + BOARD_OUTPUT_LEAD;                         \
            TCCR##timer##A = modes;                                              \
            if ((uint16_t)(TCNT1 - at) >= BOARD_OUTPUT_LEAD)                     \
                player_stop(LATE);                                               \
        }                                                                        \
    }
    cli();
    /* The stop contact has priority. */
    if (player_state == RUNNING) {
        TIMED_OUTPUTS(READY)
    }
    sei();
    (void)output;
    (void)level;
    (void)at;
}

/* Whether the player writes this output itself, when it is due. */
static inline uint8_t board_writes(uint8_t output)
{
#define IS_WRITTEN(number, port, ddr, bit, active) || output == number
    (void)output;
    return 0 OUTPUT_LINES(IS_WRITTEN);
}

#define COUNT_LINE(number, port, ddr, bit, active) + 1
enum { BOARD_WRITTEN_OUTPUTS = 0 OUTPUT_LINES(COUNT_LINE) };

static inline void board_write(uint8_t line, uint8_t level)
{
#define WRITE(number, port, ddr, bit, active)    \
    if (line == number) {                        \
        if (level == active)                     \
            port |= 1 << bit;                    \
        else                                     \
            port &= (uint8_t)~(1 << bit);        \
        return;                                  \
    }
#define WRITE_OUTPUT(number, port, ddr, bit, active) WRITE(LINE_OUTPUT + number, port, ddr, bit, active)
#define WRITE_ENABLE(number, port, ddr, bit, active) WRITE(LINE_ENABLE + number, port, ddr, bit, active)
    DIRECTION_LINES(WRITE)
    OUTPUT_LINES(WRITE_OUTPUT)
    ENABLE_LINES(WRITE_ENABLE)
    (void)line;
    (void)level;
}

static inline uint8_t board_read(uint8_t input)
{
#define READ(number, pin, port, bit, active)     \
    if (input == number)                         \
        return (pin >> bit & 1) == active;
    INPUT_LINES(READ)
#define READ_DUE(number, port, ddr, bit, active) \
    if (input == INPUT_DUE + number)             \
        return (TIFR1 & CHANNEL_FLAG(number)) != 0;
    STEP_LINES(READ_DUE)
    (void)input;
    /* The stop contact opens: its line is pulled up. */
    return (STOP_CONTACT_PIN & (1 << STOP_CONTACT_BIT)) != 0;
}

#endif
