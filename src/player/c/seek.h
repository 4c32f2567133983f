/* Seeks: an axis steps until an input is seen, or to the end of its way.
 *
 * The interrupt of each of its steps looks at the input. Two looks in a row have to find it as
 * sought, so that one disturbed look stops nothing; the axis stops at the step of the second
 * one. A contact that closes between two steps is thus seen at the first step behind it, and
 * the axis stops one step further. Where the input is as sought for 5 ms before the first
 * step, no step is made.
 *
 * All streams meet where a seek begins and where it ends; only the stream of its axis takes
 * time in between. `zero` is a meeting too.
 */
#ifndef SEEK_H
#define SEEK_H

#include <stdint.h>

#include "player.h"

/* What the streams meet for. */
enum { MEET_FOR_NOTHING, MEET_TO_SEEK, MEET_SOUGHT, MEET_TO_ZERO };

/* No axis seeks. */
#define NO_AXIS 255u
/* Looks in a row that have to find the input as sought. */
#define SEEK_LOOKS 2u

struct seek {
    uint8_t meeting;    /* what the decoder has found */
    uint8_t next_axis;  /* the axis that it is about */
    uint8_t input;      /* with UNTIL_... in its two highest bits */
    int32_t zero;       /* the position that the axis gets */
    volatile uint8_t axis; /* that seeks, or NO_AXIS */
    volatile uint8_t looks; /* that have found the input so far, in a row */
};

extern struct seek player_seek;

/* Whether the input has been seen; the axis makes no further step then. */
static inline uint8_t seek_is_over(void)
{
    return player_seek.looks >= SEEK_LOOKS;
}

/* Looks at the input. Called by the interrupt of a step of the axis that seeks. */
void seek_look(void);

/* No axis seeks, and nothing is met for. */
void seek_reset(void);

/* Does what all streams have met for; 0 where that is nothing of a seek. */
uint8_t seek_meets(void);

#endif
