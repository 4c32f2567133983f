/* The board's interrupts, its start and its report, on an 8-bit AVR. */
#include <avr/pgmspace.h>
#include <avr/wdt.h>

#include "event.h"

#ifdef FUSE_LOW
/* Programmers that read player.elf find them there. */
FUSES = {
    FUSE_LOW,
    FUSE_HIGH,
#ifdef FUSE_EXTENDED
    FUSE_EXTENDED,
#endif
};
#endif

#ifdef STREAMED
#define BAUD STREAM_BAUD
#else
#define BAUD (CLOCK < 4000000ul ? 9600ul : 38400ul)
#endif

#ifdef COILS
#define STEP_INTERRUPT(channel, letter)          \
    ISR(TIMER1_COMP##letter##_vect)              \
    {                                            \
        event_due(channel, OCR1##letter);        \
    }
#define OUTPUT_INTERRUPT(channel, letter)        \
    ISR(TIMER1_COMP##letter##_vect, ISR_NOBLOCK) \
    {                                            \
        player_event(channel, OCR1##letter);     \
    }
#else
#include "step_avr.h"
#endif

STEP_INTERRUPT(0, A)

/* The last channel, for outputs and texts, may wait for steps: from its first cycle on it
 * lets them interrupt it. Reading its compare register is safe,
 * as nothing writes it before player_event() has done with it. */
#if AXES == 1
OUTPUT_INTERRUPT(1, B)
#else
STEP_INTERRUPT(1, B)
OUTPUT_INTERRUPT(2, C)
#endif

ISR(STOP_CONTACT_VECTOR)
{
    contact_open();
}

/* Where no step follows, a match leaves the compare output at rest, as it is already. */
uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode)
{
    uint8_t flag = CHANNEL_FLAG(0), kept = SREG, k;
#ifndef COILS
    uint8_t force = 1 << FOC1A, toggle = 1 << COM1A0;
#endif
    volatile uint16_t *compare = &COMPARE(channel);
    uint16_t now;

    /* The bits of the channels lie side by side. */
    for (k = channel; k; k--) {
#ifdef FIRST_GENERATION
        flag >>= 1;
#else
        flag <<= 1;
#endif
#ifndef COILS
        force >>= 1;
        toggle >>= 2;
#endif
    }
#ifndef COILS
    if (mode & ARM_AFTER_STEP)
        FORCE(force);
#endif
    cli();
    *compare = (uint16_t)(from + ticks);
#ifndef COILS
    if (channel != AXES) {
        uint8_t output = TCCR1A & (uint8_t)~(toggle | toggle << 1);

        if (mode & ARM_STEP)
            output |= toggle;
        else if (mode & ARM_EVENT)
            output |= STEP_REST_MODES & (uint8_t)(toggle | toggle << 1);
        TCCR1A = output;
    }
#endif
    if (mode & ARM_FIRST) {
        TIFR1 = flag;
        TIMSK1 |= flag;
    } else if (!(mode & ARM_EVENT)) {
        TIMSK1 &= (uint8_t)~flag;
    }
    now = TCNT1;
    SREG = kept;
    return (uint16_t)(now - from) < ticks || TIFR1 & flag || !(mode & ARM_EVENT);
}

#ifdef STREAMED
/* Bytes that have come in; a place in the ring is one byte. */
static volatile uint8_t received[SERIAL_RING], received_head, received_tail;

ISR(SERIAL_VECTOR)
{
    uint8_t byte = SERIAL(UDR, ), next = (uint8_t)((received_head + 1u) % SERIAL_RING);

    /* A byte that does not fit is lost; the host sends its frame again. */
    if (next != received_tail) {
        received[received_head] = byte;
        received_head = next;
    }
}

int16_t board_serial_get(void)
{
    uint8_t byte, tail = received_tail;

    if (tail == received_head)
        return -1;
    byte = received[tail];
    received_tail = (uint8_t)((tail + 1u) % SERIAL_RING);
    return byte;
}

uint8_t board_serial_put(uint8_t byte)
{
    if (!(SERIAL(UCSR, A) & (1 << SERIAL(UDRE, ))))
        return 0;
    SERIAL(UDR, ) = byte;
    return 1;
}
#endif

/* Starts all timers on one cycle: while their prescalers are held, or, where they count
 * the clock itself, each so much ahead as it starts later. */
static void start_timers(void)
{
#if defined(STREAMED) || defined(START_INPUT)
    /* The timers may be running from the last program. */
#define HALT(timer, modes_at_rest) \
    TCCR##timer##B = 0;             \
    TCNT##timer = 0;
    OUTPUT_TIMERS(HALT)
    TCNT1 = 0;
#endif
#define START_0
#define START_2
#define START_3 TCCR3B = TIMER_CLOCK_BITS
#define START_4 TCCR4B = TIMER_CLOCK_BITS
#define START_5 TCCR5B = TIMER_CLOCK_BITS
#define START(timer, modes_at_rest) START_##timer;
#if PRESCALER == 1
    uint8_t ahead = 0;
#define AHEAD(timer, modes_at_rest) TCNT##timer = ahead += 2u;
    OUTPUT_TIMERS(AHEAD)
    (void)ahead;
#else
#ifdef FIRST_GENERATION
    SFIOR = 1 << PSR10;
#elif defined(PSRASY)
    GTCCR = 1 << TSM | 1 << PSRASY | 1 << PSRSYNC;
#else
    GTCCR = 1 << TSM | 1 << PSRSYNC;
#endif
#endif
#if defined(STREAMED) || defined(START_INPUT)
    /* Past matches: no change is pending. */
#define MATCH(number, port, ddr, bit, active, timer, letter) OCR##timer##letter = 100u;
    TIMED_OUTPUTS(MATCH)
#endif
    board_outputs_off();
    TCCR1B = TIMER_CLOCK_BITS;
    OUTPUT_TIMERS(START)
#if PRESCALER != 1 && !defined(FIRST_GENERATION)
    GTCCR = 0;
#endif
}

#if defined(STREAMED) || defined(START_INPUT)
void board_restart(void)
{
    if (!TCCR1B)
        start_timers();
}
#endif

#ifndef STARTS_AFTER
#define STARTS_AFTER (1 << PORF)
#endif

#ifndef STREAMED
/* The cause of the reset: bits of MCUSR. */
static uint8_t reset_cause __attribute__((section(".noinit")));
#endif

/* A few cycles after the reset, before anything else: drives every line to its level at rest;
 * pull-ups hold lines of timers that rest high until start() has set the compare outputs. The
 * watchdog keeps running after its own reset, so it is stopped here. */
static void __attribute__((naked, used, section(".init3"))) drive_lines(void)
{
#define OUT(number, port, ddr, bit, active) \
    if (!(active))                          \
        port |= 1 << bit;                   \
    ddr |= 1 << bit;
#define STEP_OUT(number, port, ddr, bit, active) \
    if (active)                                  \
        ddr |= 1 << bit;                         \
    else                                         \
        port |= 1 << bit;
#define TIMED_OUT(number, port, ddr, bit, active, timer, letter) STEP_OUT(number, port, ddr, bit, active)
    STEP_LINES(STEP_OUT)
    DIRECTION_LINES(OUT)
    OUTPUT_LINES(OUT)
    ENABLE_LINES(OUT)
    TIMED_OUTPUTS(TIMED_OUT)
#ifdef COILS
    SWITCHES_0(OUT)
#if AXES > 1
    SWITCHES_1(OUT)
#endif
#ifdef PWM_LINES
    PWM_LINES(OUT)
#endif
#ifdef LATCH_LINE
    SELECT_A_0(OUT)
    SELECT_B_0(OUT)
#if AXES > 1
    SELECT_A_1(OUT)
    SELECT_B_1(OUT)
#endif
    LATCH_LINE(OUT)
#endif
#endif
#ifndef STREAMED
    reset_cause = MCUSR;
#endif
    MCUSR = 0;
    wdt_disable();
}

static void start(void)
{
#ifdef JTD
    /* A debugger's port would keep four pins; the bit has to be written twice. */
    MCUCR = 1 << JTD;
    MCUCR = 1 << JTD;
#endif
#define PULL_UP(number, pin, port, bit, active) port |= 1 << bit;
#define STEP_RESTS(number, port, ddr, bit, active) \
    if (!(active))                                 \
        ddr |= 1 << bit;
#define TIMED_RESTS(number, port, ddr, bit, active, timer, letter) STEP_RESTS(number, port, ddr, bit, active)
    /* The stop contact interrupts at its rising edge. */
    EICRA |= 3 << (2 * STOP_CONTACT_INTERRUPT);
    INPUT_LINES(PULL_UP)
    STOP_CONTACT_PORT |= 1 << STOP_CONTACT_BIT;
#ifdef COILS
    coils_start();
#endif
    EIFR = EXTERNAL_INTERRUPT(STOP_CONTACT_INTERRUPT);
    EIMSK |= EXTERNAL_INTERRUPT(STOP_CONTACT_INTERRUPT);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    board_rest_steps();
    start_timers();
    STEP_LINES(STEP_RESTS)
    TIMED_OUTPUTS(TIMED_RESTS)
    SERIAL(UCSR, A) = 1 << SERIAL(U2X, );
    SERIAL_DIVIDER = (CLOCK + 4u * BAUD) / (8u * BAUD) - 1u;
#ifdef STREAMED
    SERIAL(UCSR, B) = 1 << SERIAL(RXCIE, ) | 1 << SERIAL(RXEN, ) | 1 << SERIAL(TXEN, );
#else
    SERIAL(UCSR, B) = 1 << SERIAL(TXEN, );
#endif
}

#ifdef STREAMED
int main(void)
{
    start();
    /* The reports tell the host how it ended; it may greet again. */
    for (;;)
        player_run();
}
#else
static void say_byte(char byte)
{
    while (!(SERIAL(UCSR, A) & (1 << SERIAL(UDRE, )))) {
    }
    SERIAL(UDR, ) = (uint8_t)byte;
}

static void say_number(int32_t number)
{
    static const uint32_t powers[] PROGMEM = {1000000000ul, 100000000ul, 10000000ul, 1000000ul, 100000ul,
                                              10000ul, 1000ul, 100ul, 10ul, 1ul};
    const uint32_t *place = powers, *end = powers + sizeof powers / sizeof *powers;
    uint32_t rest = (uint32_t)number;
    uint8_t begun = 0;

    say_byte(' ');
    if (number < 0) {
        say_byte('-');
        rest = 0u - rest;
    }
    do {
        uint32_t power = pgm_read_dword(place++);
        char digit = '0';

        while (rest >= power) {
            rest -= power;
            digit++;
        }
        if (begun || digit != '0' || place == end) {
            begun = 1;
            say_byte(digit);
        }
    } while (place != end);
}

/* One line on the serial port: how the program ended, and where each axis stands. */
static void report(uint8_t state)
{
    /* In the order of the states. */
    static const char words[] PROGMEM =
        "finished\0damaged\0stop contact\0late\0starved\0no input\0\0\0reset"
#if defined(SEEKS) || defined(USER) || defined(PROGRAMS)
        "\0not found"
#endif
#if defined(USER) || defined(PROGRAMS)
        "\0overrun"
#endif
#ifdef PROGRAMS
        "\0no program"
#endif
        ;
    const char *word = words;
    uint8_t axis;
    char letter;

    while (--state)
        while (pgm_read_byte(word++)) {
        }
    while ((letter = (char)pgm_read_byte(word++)))
        say_byte(letter);
    for (axis = 0; axis < AXES; axis++)
        say_number(player_position(axis));
    say_byte('\n');
}

#ifdef START_INPUT
/* Waits for somebody to press the start input, with the stop contact closed; plays the program
 * then. Returns where the state has changed. */
static void start_again(void)
{
    uint8_t before = player_state;

    do {
        player_input = START_INPUT | UNTIL_PRESSED << 6;
        player_timeout = player_timeout_turns = 0;
        player_wait();
        if (player_state != before)
            return;
    } while (board_read(INPUT_STOP_CONTACT));
    player_restart();
    player_run();
}
#endif

/* A stop contact that opens after the end is reported too. */
int main(void)
{
    uint8_t state = NOT_STARTED;

    start();
    if (reset_cause & STARTS_AFTER) {
        state = player_run();
    } else {
#ifndef START_INPUT
        player_state = state;
#endif
        sei();
    }
    for (;;) {
        report(state);
#ifdef START_INPUT
        start_again();
#else
        while (player_state == state) {
#ifdef HOLDS
            coils_rest();
#endif
        }
#endif
        state = player_state;
    }
}
#endif
