/* Where the decoding of a packed stream stands; see table.c. The members used most
 * come first, where small processors reach them with one instruction. */
#ifndef DECODER_TABLE_H
#define DECODER_TABLE_H

#include <stdint.h>

/* Repeats within repeats; packed schedules have up to four. */
#define MOST_NESTED 4u
#if MOST_NESTED < 4 || MOST_NESTED > 255
#error "MOST_NESTED must be 4 to 255"
#endif

struct repeat {
    const uint8_t *body;
    uint32_t left;
};

/* A stretch is what follows without looking anything up: a run, or a piece of an even
 * part. */
struct decoder {
    uint32_t state[4];    /* i, d1, d2, d3 of the ramp */
    uint8_t fraction[4];  /* of the clock of the stream, lowest byte first */
    uint16_t left;        /* intervals of the stretch to go */
    uint16_t gone;        /* intervals of the run that lie behind */
    const uint8_t *op;    /* the next operation */
    const uint8_t *parts; /* the next part of the motion */
    const uint8_t *run;   /* behind the run that was entered last */
    uint8_t part;         /* of the motion that is being played; 0: none is */
    uint8_t unnamed;      /* the part that follows without being named, or 0 */
    uint8_t nested;
    uint8_t step;         /* what a step is now: STEP, or STEP + 1 for backwards */
    uint32_t count;       /* intervals of the part that are in no stretch yet */
    uint32_t climbed;     /* intervals of the last way up a ramp */
    uint32_t even;        /* the interval of an even part ... */
    uint32_t extra;       /* ... and whole ticks more, where it is long */
    struct repeat repeats[MOST_NESTED];
};

#endif
