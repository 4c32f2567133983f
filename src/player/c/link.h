/* The board's side of the serial link; see link.c. src/stream of slewsmith describes the
 * protocol. */
#ifndef LINK_H
#define LINK_H

#include "player.h"

#include "board.h"

/* Bytes of the queue of records: a power of two. */
#ifndef LINK_QUEUE
#define LINK_QUEUE (AXES > 1u ? 1024u : 512u)
#endif

#if LINK_QUEUE < 256 || LINK_QUEUE > 32768 || LINK_QUEUE & (LINK_QUEUE - 1)
#error "LINK_QUEUE must be a power of two, 256 to 32768"
#endif

/* Most bytes of a slow-down: 250 at most. */
#ifndef LINK_SLOW_DOWN
#define LINK_SLOW_DOWN (AXES > 1u ? 250u : 176u)
#endif

#if LINK_SLOW_DOWN < 64 || LINK_SLOW_DOWN > 250
#error "LINK_SLOW_DOWN must be 64 to 250"
#endif

/* Further states on the line; the player's own have the same numbers. */
enum { LINK_READY = 9, LINK_SLOWING, LINK_IDLE }; /* NOT_STARTED is never said */

#endif
