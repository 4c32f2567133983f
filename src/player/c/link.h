/* The board's side of the serial link; see link.c. What goes over the line is described
 * where slewsmith speaks it: src/stream. */
#ifndef LINK_H
#define LINK_H

#include "player.h"

#include "board.h"

/* Bytes of records that wait for their turn: a power of two. */
#ifndef LINK_QUEUE
#define LINK_QUEUE (AXES > 1u ? 1024u : 512u)
#endif

#if LINK_QUEUE < 256 || LINK_QUEUE > 32768 || LINK_QUEUE & (LINK_QUEUE - 1)
#error "LINK_QUEUE must be a power of two, 256 to 32768"
#endif

/* Bytes that a slow-down may have: 250 at most. */
#ifndef LINK_SLOW_DOWN
#define LINK_SLOW_DOWN (AXES > 1u ? 250u : 128u)
#endif

#if LINK_SLOW_DOWN < 64 || LINK_SLOW_DOWN > 250
#error "LINK_SLOW_DOWN must be 64 to 250"
#endif

/* States on the line that are none of the player's; its own have the same numbers. */
enum { LINK_READY = 9, LINK_SLOWING, LINK_IDLE }; /* NOT_STARTED is never said */

#endif
