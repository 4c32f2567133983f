/* Coils on an 8-bit AVR; see coils.h. */
#include "coils.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#include "board.h"
#include "coil_table.h"
#include "pins.h"
#include "player.h"

#if DEAD_CYCLES < 1
#error "DEAD_CYCLES must be 1 or more"
#endif

/* Time for the rotor to settle at the first row. */
#define REST_TICKS (TICK_RATE / 2u)

static uint8_t row_of[AXES];
static uint8_t pattern_of[AXES];

#ifdef CHOP_ON
/* Timer 0 chops the bridges of axes that stand: its overflow ends the on and the off times in
 * turn. Older parts have one register for the interrupts of all timers, and another name. */
#define CHOP_CLOCK (1 << CS01)
#ifdef TIMSK0
#define CHOP_CONTROL TCCR0B
#define CHOP_MASK TIMSK0
#define CHOP_FLAGS TIFR0
#else
#define CHOP_CONTROL TCCR0
#define CHOP_MASK TIMSK
#define CHOP_FLAGS TIFR
#endif
#endif

#ifdef HOLDS
/* Whether the axis has the full currents of its row, whether it has stepped since the last look
 * at it, and for how many ticks it had stood then. */
static volatile uint8_t is_full[AXES], has_stepped[AXES];
static uint32_t stood[AXES];
static uint16_t looked;
#endif

#define GO_ON(number, port, ddr, bit, active) \
    if (active)                               \
        port |= 1 << bit;                     \
    else                                      \
        port &= (uint8_t)~(1 << bit);
#define GO_OFF(number, port, ddr, bit, active) GO_ON(number, port, ddr, bit, !(active))

/* Sets the lines of an axis' bridges to a pattern. */
static void write_switches(uint8_t axis, uint8_t pattern)
{
#define SWITCH(number, port, ddr, bit, active)                     \
    if (active ? pattern & 1 << number : !(pattern & 1 << number)) \
        port |= 1 << bit;                                          \
    else                                                           \
        port &= (uint8_t)~(1 << bit);
    if (axis == 0) {
        SWITCHES_0(SWITCH)
    }
#if AXES > 1
    else {
        SWITCHES_1(SWITCH)
    }
#endif
}

#ifdef FRAME_BYTES
/* Sends one byte on the serial bus. */
static inline void shift(uint8_t byte)
{
    SPDR = byte;
    while (!(SPSR & 1 << SPIF)) {
    }
}

/* Sends a converter its frame, highest bit first. */
static void send(uint8_t top, coil_code frame)
{
#if FRAME_BYTES > 2
    shift(top);
#endif
#if FRAME_BYTES > 1
    shift((uint8_t)(frame >> 8));
#endif
    shift((uint8_t)frame);
    (void)top;
}
#endif

static void write_codes(uint8_t axis, coil_code a, coil_code b)
{
#ifdef FRAME_BYTES
    if (axis == 0) {
        SELECT_A_0(GO_ON)
        send(coil_top_a(0), a);
        SELECT_A_0(GO_OFF)
        SELECT_B_0(GO_ON)
        send(coil_top_b(0), b);
        SELECT_B_0(GO_OFF)
    }
#if AXES > 1
    else {
        SELECT_A_1(GO_ON)
        send(coil_top_a(1), a);
        SELECT_A_1(GO_OFF)
        SELECT_B_1(GO_ON)
        send(coil_top_b(1), b);
        SELECT_B_1(GO_OFF)
    }
#endif
    /* Both phases change now. */
    LATCH_LINE(GO_ON)
    __builtin_avr_delay_cycles(LATCH_CYCLES);
    LATCH_LINE(GO_OFF)
#endif
#ifdef PWM_TIMERS
    /* A code is that many counts of a period; none lets go of the output, which is low then. The
     * timer takes new ones at the end of its period. */
#define PWM(timer, letter, code)                                     \
    if (code) {                                                      \
        OCR##timer##letter = code - 1u;                              \
        TCCR##timer##A |= 1 << COM##timer##letter##1;                \
    } else {                                                         \
        TCCR##timer##A &= (uint8_t)~(1 << COM##timer##letter##1);    \
    }
    if (axis == 0) {
        PWM_A_0(PWM, a)
        PWM_B_0(PWM, b)
    }
#if AXES > 1
    else {
        PWM_A_1(PWM, a)
        PWM_B_1(PWM, b)
    }
#endif
#endif
#ifdef CODE_A_0
    if (axis == 0) {
#ifdef CODE_HIGH_0
        CODE_HIGH_0 = (uint8_t)(a >> 8 | b >> 8 << 4);
#endif
        CODE_A_0 = (uint8_t)a;
        CODE_B_0 = (uint8_t)b;
    }
#endif
#ifdef CODE_A_1
    if (axis == 1) {
#ifdef CODE_HIGH_1
        CODE_HIGH_1 = (uint8_t)(a >> 8 | b >> 8 << 4);
#endif
        CODE_A_1 = (uint8_t)a;
        CODE_B_1 = (uint8_t)b;
    }
#endif
    (void)axis;
    (void)a;
    (void)b;
}

static coil_code code_at(const uint8_t *place)
{
#if CODE_BYTES > 1
    return pgm_read_word(place);
#else
    return pgm_read_byte(place);
#endif
}

/* Where a row of an axis is. */
static const uint8_t *row_at(uint8_t axis, uint8_t row)
{
    return coil_rows(axis) + (1u + 2u * CODE_BYTES) * row;
}

/* Goes to a row of the table, with its full currents. */
static void go_to(uint8_t axis, uint8_t row)
{
    const uint8_t *entry = row_at(axis, row);
    uint8_t pattern = pgm_read_byte(entry), kept = pattern & pattern_of[axis], guarded = coil_guarded(axis);

    /* What is guarded takes its new level where the line below it is not active. */
    kept = (uint8_t)((kept & ~((pattern_of[axis] ^ pattern) >> 1 & guarded >> 1)) | (pattern & guarded));
    row_of[axis] = row;
#ifdef HOLDS
    is_full[axis] = has_stepped[axis] = 1;
#endif
    if (kept != pattern_of[axis])
        write_switches(axis, kept);
    write_codes(axis, code_at(entry + 1), code_at(entry + 1 + CODE_BYTES));
    if (kept != pattern) {
        __builtin_avr_delay_cycles(DEAD_CYCLES);
        write_switches(axis, pattern);
    }
    pattern_of[axis] = pattern;
}

void coils_start(void)
{
#ifdef FRAME_BYTES
    /* The select line of the port is an output already, or else it would be no master. */
#define BUS_OUT(number, port, ddr, bit, active) ddr |= 1 << bit;
    BUS_LINES(BUS_OUT)
    SPCR = 1 << SPE | 1 << MSTR | BUS_MODE;
    SPSR = 1 << SPI2X;
#endif
#ifdef PWM_TIMERS
    /* Fast PWM, which counts the clock itself up to the top. */
#define PWM_START_2(top)              \
    TCCR2A = 1 << WGM21 | 1 << WGM20; \
    TCCR2B = 1 << CS20;
#define PWM_START_3(top)  \
    ICR3 = top;           \
    TCCR3A = 1 << WGM31;  \
    TCCR3B = 1 << WGM33 | 1 << WGM32 | 1 << CS30;
#define PWM_START_4(top)  \
    ICR4 = top;           \
    TCCR4A = 1 << WGM41;  \
    TCCR4B = 1 << WGM43 | 1 << WGM42 | 1 << CS40;
#define PWM_START(timer, top) PWM_START_##timer(top)
    PWM_TIMERS(PWM_START)
#endif
#ifdef CODE_A_0
    CODE_A_0_OUT = 255u;
    CODE_B_0_OUT = 255u;
#endif
#ifdef CODE_HIGH_0
    CODE_HIGH_0_OUT = 255u;
#endif
#ifdef CODE_HIGH_1
    CODE_HIGH_1_OUT = 255u;
#endif
#ifdef CODE_A_1
    CODE_A_1_OUT = 255u;
    CODE_B_1_OUT = 255u;
#endif
}

void coils_on(void)
{
    uint8_t axis;

    for (axis = 0; axis < AXES; axis++) {
        /* The stop contact has priority. */
        BOARD_INTERRUPTS_OFF();
        if (player_state == RUNNING)
            go_to(axis, row_of[axis]);
        BOARD_INTERRUPTS_ON();
    }
    player_pause(REST_TICKS);
}

void coils_step(uint8_t axis, uint8_t back)
{
    uint8_t row = row_of[axis], rows = coil_row_count(axis);

    if (back)
        row = (uint8_t)((row ? row : rows) - 1u);
    else if (++row == rows)
        row = 0;
    go_to(axis, row);
}

void coils_off(void)
{
    uint8_t axis;

#ifdef CHOP_ON
    CHOP_MASK &= (uint8_t)~(1 << TOIE0);
#endif
    for (axis = 0; axis < AXES; axis++)
        write_switches(axis, 0);
    for (axis = 0; axis < AXES; axis++) {
        write_codes(axis, coil_zero_a(axis), coil_zero_b(axis));
        pattern_of[axis] = 0;
#ifdef HOLDS
        is_full[axis] = 0;
#endif
    }
}

#ifdef HOLDS

/* Whether nothing but waiting comes at and behind a place of an axis' ring for so long that
 * the current may be low until the event there is due. */
static uint8_t is_waiting(struct stream *stream, uint8_t place)
{
    uint8_t k;

    for (k = 0; k < RAISE_PIECES; k++) {
        if (place == stream->head || ring_at(stream, place)->what != PASS)
            return 0;
        place = (uint8_t)(place + sizeof(struct event));
    }
    return 1;
}

#ifdef CHOP_ON

/* The lines of an axis' bridges while its chopped ones are off. */
static uint8_t chopped_off(uint8_t axis)
{
    return (uint8_t)(pattern_of[axis] & ~coil_chopped(axis));
}

#if CHOP_ON
static uint8_t chop_is_on;

/* What has been counted since the overflow counts on, so that periods keep their length. */
ISR(TIMER0_OVF_vect)
{
    uint8_t axis;

    chop_is_on = !chop_is_on;
    TCNT0 = (uint8_t)(TCNT0 - (chop_is_on ? CHOP_ON : CHOP_OFF));
    for (axis = 0; axis < AXES; axis++)
        if (!is_full[axis])
            write_switches(axis, chop_is_on ? pattern_of[axis] : chopped_off(axis));
}
#endif

/* Lowers the currents of an axis, or brings them back; with interrupts off. Of a leg whose low
 * switch is chopped the high one is off all the time: no dead time is needed. */
static void set_currents(uint8_t axis, uint8_t full)
{
    uint8_t k, chops = 0;

    is_full[axis] = full;
    write_switches(axis, full ? pattern_of[axis] : chopped_off(axis));
    for (k = 0; k < AXES; k++)
        chops |= !is_full[k];
#if CHOP_ON
    if (!chops) {
        CHOP_MASK &= (uint8_t)~(1 << TOIE0);
    } else if (!(CHOP_MASK & 1 << TOIE0)) {
        chop_is_on = 0;
        TCNT0 = (uint8_t)-CHOP_OFF;
        CHOP_FLAGS = 1 << TOV0;
        CHOP_CONTROL = CHOP_CLOCK;
        CHOP_MASK |= 1 << TOIE0;
    }
#else
    (void)chops;
#endif
}

#else

static coil_code lowered(uint8_t axis, coil_code code)
{
    coil_code data = (coil_code)(code & coil_mask(axis));

    data = (coil_code)((uint32_t)data * coil_hold(axis) >> 16);
    return (coil_code)((data & coil_mask(axis)) | (code & (coil_code)~coil_mask(axis)));
}

/* Sets the currents of an axis' row anew, low or full. */
static void set_currents(uint8_t axis, uint8_t full)
{
    const uint8_t *entry = row_at(axis, row_of[axis]);
    coil_code a = code_at(entry + 1), b = code_at(entry + 1 + CODE_BYTES);

    if (!full) {
        a = lowered(axis, a);
        b = lowered(axis, b);
    }
    write_codes(axis, a, b);
    is_full[axis] = full;
}

#endif

void coils_wait(uint8_t axis, uint8_t place)
{
    if (!is_full[axis] && !is_waiting(&player_streams[axis], place))
        set_currents(axis, 1);
}

void coils_rest(void)
{
    uint16_t now = board_now(), passed = (uint16_t)(now - looked);
    uint8_t axis;

    looked = now;
    for (axis = 0; axis < AXES; axis++) {
        struct stream *stream = &player_streams[axis];

        if (!is_full[axis] || coil_hold(axis) == NO_HOLD)
            continue;
        if (has_stepped[axis]) {
            has_stepped[axis] = 0;
            stood[axis] = 0;
        } else if (stood[axis] < coil_hold_ticks(axis)) {
            stood[axis] += passed;
        } else {
            BOARD_INTERRUPTS_OFF();
            /* A stop has switched everything off. */
            if (is_full[axis] && !has_stepped[axis] &&
                (stream->halted || (ring_at(stream, stream->tail)->what == PASS &&
                                    is_waiting(stream, (uint8_t)(stream->tail + sizeof(struct event))))))
                set_currents(axis, 0);
            BOARD_INTERRUPTS_ON();
        }
    }
}

void coils_raise(void)
{
    uint8_t axis, raised = 0;

    for (axis = 0; axis < AXES; axis++) {
        BOARD_INTERRUPTS_OFF();
        if (player_state == RUNNING && !is_full[axis]) {
            set_currents(axis, 1);
            has_stepped[axis] = raised = 1;
        }
        BOARD_INTERRUPTS_ON();
    }
    if (raised)
        player_pause(RAISE_TICKS);
}

#endif
