/* Coils that the player switches: two bridges for each axis, and, where the drive has them, a
 * converter for the current of each phase.
 *
 * A row of the table says which lines of the bridges are active and what the converters get.
 * Its bits are those of SWITCHES_0 and SWITCHES_1 in pins.h, from the lowest, phase A first:
 * of a bridge of single switches the high and the low one of leg 1, then of leg 2; of one
 * with an input for each diagonal pair the pair of positive current, then the other; of one
 * with an input for the direction the one that lets current flow, then the direction.
 * Current flows from leg 1 to leg 2 where the phase is positive. Lines go off first, others
 * go on after the dead time, so that the two switches of a leg are never both on; the
 * direction changes while no current is let flow.
 */
#ifndef COILS_H
#define COILS_H

#include <stdint.h>

#include "schedule.h"

/* Makes the lines of the converters outputs. */
void coils_start(void);

/* The currents of the first row, or of the row where an earlier program ended, and
 * time for the rotor to come to rest there. */
void coils_on(void);

/* The next row of an axis, or the one before. Called by interrupts. */
void coils_step(uint8_t axis, uint8_t back);

/* All bridges off, at once. */
void coils_off(void);

#ifdef HOLDS
/* Currents at standstill: lower codes of converters, or bridges that a timer chops. They are lowered once an axis has stood for its time, and full again
 * RAISE_TICKS before it steps. */
#define RAISE_TICKS (TICK_RATE / 128u)
/* So many pieces of a wait, of 16,384 ticks or 1/64 s, are long enough. */
#define RAISE_PIECES ((RAISE_TICKS + 0x2000u) / 0x4000u + 1u)
#define NO_HOLD 0xFFFFu

/* Lowers the currents of axes that stand. Called by main() over and over. */
void coils_rest(void);

/* Raises them where an axis steps soon: a piece of its wait is over, and the event at a place
 * of its ring is due next. Called by its interrupt. */
void coils_wait(uint8_t axis, uint8_t place);

/* Raises them all, before the streams start again. */
void coils_raise(void);
#endif

#endif
