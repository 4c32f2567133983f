/* What the player's decoder (table.c, which is included here) does with tables that somebody
 * has tampered with and given a right checksum. Compiled with -fsanitize=address,undefined,
 * which ends it where memory is read or written that is none of the table's or the rings'.
 *
 *   hostile_table COUNT     so many tampered tables, from one seed; prints how many of them
 *                           the player found damaged, and how many gave it nothing to play
 *
 * A fuzzer includes it and tampers by itself: tests/fuzz/board/table.c.
 */
#define _DEFAULT_SOURCE
#include <setjmp.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/time.h>

/* The table as it was written, and a copy to tamper with, which the decoder reads. */
#include "schedule.h"
static const uint8_t *const whole = schedule;
static uint8_t tampered[SCHEDULE_LENGTH];
#define schedule tampered

#include "board.h"
#include "player.h"
#include "source.h"

#include "table.c"

struct stream player_streams[STREAMS];
volatile uint8_t player_state, player_mark;
uint8_t player_ending, player_input = NO_INPUT;
uint32_t player_timeout, player_timeout_turns;

#ifdef SEEKS
struct seek player_seek;
#endif

static sigjmp_buf over;

void player_end(uint8_t state)
{
    siglongjmp(over, state);
}

/* There is no watchdog here. */
void player_feed(void)
{
}

void ring_push(struct stream *stream, uint16_t ticks, uint8_t what, uint8_t value)
{
    struct event *event;

    if (ring_room(stream) == 0)
        abort();
    event = ring_at(stream, stream->head);
    event->ticks = ticks;
    event->what = what;
    event->value = value;
    stream->head = (uint8_t)(stream->head + sizeof *event);
}

static uint32_t seed = 1;

static uint32_t any(uint32_t below)
{
    seed = seed * 1664525u + 1013904223u;
    return (seed >> 8) % below;
}

static void checksum(void)
{
    uint32_t crc = 0xFFFFFFFFul;
    size_t at;
    unsigned k;

    for (at = 0; at < SCHEDULE_LENGTH - 4u; at++) {
        crc ^= tampered[at];
        for (k = 0; k < 8u; k++)
            crc = (crc >> 1) ^ ((crc & 1u) ? 0xEDB88320ul : 0u);
    }
    crc = ~crc;
    for (k = 0; k < 4u; k++)
        tampered[at + k] = (uint8_t)(crc >> (8u * k));
}

#ifdef SEEKS
/* A seek ends anywhere on its way. */
static void end_seek(void)
{
    struct stream *s;

    if (player_seek.axis == NO_AXIS || any(4))
        return;
    s = &player_streams[player_seek.axis];
    s->tail = s->head;
    source_skip(s);
}

/* What all streams have met for; 0 where that is nothing of a seek. */
static int meet(void)
{
    uint8_t meeting = player_seek.meeting;

    player_seek.meeting = MEET_FOR_NOTHING;
    player_seek.axis = meeting == MEET_TO_SEEK ? player_seek.next_axis : NO_AXIS;
    return meeting != MEET_FOR_NOTHING;
}
#else
#define end_seek() (void)0
#define meet() 0
#endif

/* Empties the rings for some turns. */
static void empty_rings(void)
{
    unsigned k, turns;

    for (turns = 0; turns < 300u; turns++) {
        unsigned ended = 0;

        source_fill();
        end_seek();
        for (k = 0; k < STREAMS; k++) {
            player_streams[k].tail = player_streams[k].head;
            ended += player_streams[k].ended;
        }
        if (ended == STREAMS) {
            if (!meet() && player_input == NO_INPUT)
                return;
            for (k = 0; k < STREAMS; k++)
                player_streams[k].ended = 0;
            player_input = NO_INPUT;
        }
    }
}

static void too_long(int number)
{
    (void)number;
    /* Nothing comes any more, so that the player stops `starved`. */
    siglongjmp(over, STARVED);
}

/* Plays the table as it has been tampered with; returns how that ended. */
static int play_tampered(void)
{
    /* Of processor time, so that a busy machine ends none early. */
    static const struct itimerval limit = {{0, 0}, {0, 20000}}, none;
    int how;

    checksum();
    memset(player_streams, 0, sizeof player_streams);
    player_input = NO_INPUT;
#ifdef SEEKS
    memset(&player_seek, 0, sizeof player_seek);
    player_seek.axis = NO_AXIS;
#endif
    signal(SIGVTALRM, too_long);
    how = sigsetjmp(over, 1);
    if (how == 0) {
        setitimer(ITIMER_VIRTUAL, &limit, NULL);
        if (!source_start())
            abort();
        empty_rings();
    }
    setitimer(ITIMER_VIRTUAL, &none, NULL);
    return how;
}

#ifndef FUZZED
int main(int count, char **arguments)
{
    long left = count > 1 ? atol(arguments[1]) : 1;
    long damaged = 0, starved = 0;

    while (left--) {
        unsigned changes = 1u + any(6);
        int how;

        memcpy(tampered, whole, sizeof tampered);
        while (changes--)
            tampered[any(SCHEDULE_LENGTH)] = (uint8_t)any(256);
        how = play_tampered();
        damaged += how == DAMAGED;
        starved += how == STARVED;
    }
    printf("%ld damaged, %ld starved\n", damaged, starved);
    return 0;
}
#endif
