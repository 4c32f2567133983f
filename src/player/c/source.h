/* Where events come from. */
#ifndef SOURCE_H
#define SOURCE_H

#include <stdint.h>

/* Whether there is a schedule, whole and undamaged. Called once, before anything
 * moves. */
uint8_t source_start(void);

/* Puts events into the rings of all streams, as far as there is room and events are
 * known. Sets `ended` of a stream behind its last event, and of all streams where an
 * input is waited for. Called over and over. */
void source_fill(void);

#ifdef SEEKS
struct stream;

/* Goes on behind the motion of a stream that a seek has ended, to where all streams meet. Its
 * events in between are left out; its ring is empty. */
void source_skip(struct stream *stream);
#endif

#endif
