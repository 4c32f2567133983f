/* What the interrupts do. Included by the board's file that holds them, so that the
 * compiler can build the usual cases in: a step with another one behind it, and the
 * stop contact. */
#ifndef EVENT_H
#define EVENT_H

#include "board.h"
#include "player.h"

#ifdef COILS
#include "coils.h"
#endif

#define INLINE static inline __attribute__((always_inline))

/* Ticks from the match to the end of the pulse: the line rises one tick after the match. */
#define PULSE_END (STEP_PULSE_TICKS + 1u)

/* Disables all drives, and switches all coils and outputs off. */
INLINE void everything_off(void)
{
#ifdef ENABLE_TICKS
    player_enable(0);
#endif
#ifdef COILS
    coils_off();
#endif
    board_outputs_off();
}

/* Ends every pulse, switches everything off and records the reason; with interrupts off. The
 * reason of an earlier stop is kept, of which this one may be a consequence; only FINISHED is
 * replaced. */
INLINE void stop_everything(uint8_t state)
{
    uint8_t before = player_state;

    board_stop();
    everything_off();
    board_finish_pulses();
    if (before == RUNNING || before == FINISHED)
        player_state = state;
}

/* The stop contact has opened: switches everything off, in every state of the player, for
 * good. */
INLINE void contact_open(void)
{
    stop_everything(STOP_CONTACT);
}

/* The compare interrupt of an axis' channel: the event that it was armed for is due. `at`
 * is the count of the timer at which that is. The channel behind the last axis, for
 * outputs and texts, calls player_event() instead, and may have interrupts on. */
INLINE void event_due(uint8_t channel, uint16_t at)
{
    struct stream *stream = &player_streams[channel];

    if (stream->stepping) {
        uint8_t tail = (uint8_t)(stream->tail + sizeof(struct event));
        const struct event *next = ring_at(stream, tail);

        if (tail != stream->head && (next->what & STEP)) {
#ifdef COILS
            coils_step(channel, ring_at(stream, stream->tail)->what & 1u);
#elif STEP_PULSE_TICKS > BOARD_TO_ARM
            while ((uint16_t)(board_now() - at) < PULSE_END) {
            }
#endif
            stream->tail = tail;
            if (!board_step_again(channel, at, next->ticks))
                player_stop(LATE);
            return;
        }
    }
    player_event(channel, at);
}

#endif
