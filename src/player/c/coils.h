/* Coils that the player switches: two bridges of single switches for each axis, and, where the
 * drive has them, a converter for the current of each phase.
 *
 * A row of the table says which switches are on and what the converters get. Its bits
 * are, from the lowest: phase A, high and low switch of leg 1, high and low switch of
 * leg 2, then phase B likewise. Current flows from leg 1 to leg 2 where the phase is
 * positive. Switches go off first, others go on after the dead time, so that the two
 * switches of a leg are never both on.
 */
#ifndef COILS_H
#define COILS_H

#include <stdint.h>

/* Makes the lines of the converters outputs. */
void coils_start(void);

/* The currents of the first row, or of the row where an earlier program ended, and
 * time for the rotor to come to rest there. */
void coils_on(void);

/* The next row of an axis, or the one before. Called by interrupts. */
void coils_step(uint8_t axis, uint8_t back);

/* All switches off, at once. */
void coils_off(void);

#endif
