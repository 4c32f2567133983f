/* What the player's decoder (table.c) makes of a project's table, without a player: empties
 * the rings of all streams and prints each event with the tick at which it falls.
 *
 *   TICK step AXIS WAY | TICK direction AXIS WAY | TICK output NUMBER LEVEL
 *   TICK mark COUNT | TICK await INPUT TIMEOUT
 *
 * The board has no lead, so that events come at their very ticks.
 */
#include <inttypes.h>
#include <stdio.h>

#include "board.h"
#include "player.h"
#include "source.h"

struct stream player_streams[STREAMS];
volatile uint8_t player_state, player_mark;
uint8_t player_ending, player_input = NO_INPUT;
uint32_t player_timeout, player_timeout_turns;

void ring_push(struct stream *stream, uint16_t ticks, uint8_t what, uint8_t value)
{
    struct event *event = ring_at(stream, stream->head);

    event->ticks = ticks;
    event->what = what;
    event->value = value;
    stream->head = (uint8_t)(stream->head + sizeof *event);
}

/* What makes no sense ends the program. */
void player_end(uint8_t state)
{
    player_state = state;
}

/* There is no watchdog here. */
void player_feed(void)
{
}

static uint64_t clocks[STREAMS];
static unsigned marks;

static void show(unsigned k, const struct event *event)
{
    uint64_t at = clocks[k] += event->ticks;

    if (event->what >= STEP)
        printf("%" PRIu64 " step %u %d\n", at, k, event->what == STEP ? 1 : -1);
    else if (event->what == FORWARDS || event->what == BACKWARDS)
        printf("%" PRIu64 " direction %u %d\n", at, k, event->what == FORWARDS ? 1 : -1);
    else if (event->what == ON || event->what == OFF)
        printf("%" PRIu64 " output %u %d\n", at, event->value, event->what == ON);
    else if (event->what == MARK)
        printf("%" PRIu64 " mark %u\n", at, ++marks);
}

int main(void)
{
    unsigned k;

    if (!source_start())
        return 1;
    while (player_state == RUNNING) {
        unsigned shown = 0, ended = 0;

        source_fill();
        for (k = 0; k < STREAMS; k++) {
            struct stream *s = &player_streams[k];

            for (; s->tail != s->head; s->tail = (uint8_t)(s->tail + sizeof(struct event))) {
                show(k, ring_at(s, s->tail));
                shown = 1;
            }
            ended += s->ended;
        }
        if (shown || ended != STREAMS)
            continue;
        if (player_input == NO_INPUT)
            return 0;
        /* Every stream has come to where the input is waited for. */
        for (k = 0; k < STREAMS; k++) {
            if (clocks[k] != clocks[AXES]) {
                fprintf(stderr, "stream %u waits at another tick\n", k);
                return 1;
            }
            player_streams[k].ended = 0;
        }
        printf("%" PRIu64 " await %u %" PRIu64 "\n", clocks[AXES], player_input,
               player_timeout + (uint64_t)player_timeout_turns * TIMEOUT_TURN);
        player_input = NO_INPUT;
    }
    return 1;
}
