/* Where the decoding of a stream that comes over the line stands; see link.c. */
#ifndef DECODER_LINK_H
#define DECODER_LINK_H

#include <stdint.h>

struct decoder {
    uint32_t state[4];  /* i, d1, d2, d3 of the run */
    uint32_t wait;      /* ticks until `due` */
    uint32_t pushed;    /* tick of the last event in the ring */
    uint16_t fraction;  /* of the clock within a run */
    uint16_t count;     /* steps of the run to go */
    uint8_t due, value; /* the event that comes next; DUE_NONE: none is known */
    uint8_t step;       /* what a step is now: STEP, or STEP + 1 for backwards */
    uint8_t slow, slow_end; /* the next record of the slow-down, and behind the last */
};

#endif
