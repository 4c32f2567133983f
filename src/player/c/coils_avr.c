/* Coils on an 8-bit AVR; see coils.h. */
#include "coils.h"

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

/* Sets the switches of an axis to a pattern. */
static void write_switches(uint8_t axis, uint8_t pattern)
{
#define SWITCH(number, port, ddr, bit, active) \
    if (active ? pattern & 1 << number : !(pattern & 1 << number)) \
        port |= 1 << bit;                   \
    else                                    \
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

static void write_codes(uint8_t axis, uint8_t a, uint8_t b)
{
#ifdef CODE_A_0
    if (axis == 0) {
        CODE_A_0 = a;
        CODE_B_0 = b;
    }
#endif
#ifdef CODE_A_1
    if (axis == 1) {
        CODE_A_1 = a;
        CODE_B_1 = b;
    }
#endif
    (void)axis;
    (void)a;
    (void)b;
}

/* Goes to a row of the table. */
static void go_to(uint8_t axis, uint8_t row)
{
    const uint8_t *entry = coil_rows(axis) + 3u * row;
    uint8_t pattern = pgm_read_byte(entry), kept = pattern & pattern_of[axis], guarded = coil_guarded(axis);

    /* What is guarded takes its new level where the line below it is not active. */
    kept = (uint8_t)((kept & ~((pattern_of[axis] ^ pattern) >> 1 & guarded >> 1)) | (pattern & guarded));
    row_of[axis] = row;
    if (kept != pattern_of[axis])
        write_switches(axis, kept);
    write_codes(axis, pgm_read_byte(entry + 1), pgm_read_byte(entry + 2));
    if (kept != pattern) {
        __builtin_avr_delay_cycles(DEAD_CYCLES);
        write_switches(axis, pattern);
    }
    pattern_of[axis] = pattern;
}

void coils_start(void)
{
#ifdef CODE_A_0
    CODE_A_0_OUT = 255u;
    CODE_B_0_OUT = 255u;
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

    for (axis = 0; axis < AXES; axis++) {
        write_switches(axis, 0);
        write_codes(axis, 0, 0);
        pattern_of[axis] = 0;
    }
}
