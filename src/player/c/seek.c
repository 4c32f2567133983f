/* Seeks and zero positions; see seek.h. */
#include "seek.h"

#include "board.h"
#include "source.h"

struct seek player_seek;

static uint8_t is_seen(void)
{
    uint8_t level = board_read(INPUT_OF(player_seek.input));

    return level == (UNTIL_OF(player_seek.input) == UNTIL_ACTIVE);
}

void seek_look(void)
{
    if (!is_seen())
        player_seek.looks = 0;
    else if (!seek_is_over())
        player_seek.looks++;
}

APART void seek_reset(void)
{
    player_seek.axis = NO_AXIS;
    player_seek.meeting = MEET_FOR_NOTHING;
    player_seek.looks = 0;
}

/* Before the first step: eight looks within 5 ms, as where an input is awaited. */
static void look_ahead(void)
{
    uint8_t left = 8;

    player_seek.looks = 0;
    do {
        if (!is_seen())
            return;
        player_pause(TICK_RATE / 1600u + 1u);
    } while (--left && player_state == RUNNING);
    player_seek.looks = SEEK_LOOKS;
}

/* Where the axis has stopped is behind it: what was decoded of the rest of its way is left out. */
static void leave_out_the_rest(void)
{
    struct stream *stream = &player_streams[player_seek.next_axis];

    stream->position = player_position(player_seek.next_axis);
    stream->head = stream->tail;
    source_skip(stream);
    stream->head = stream->tail;
}

APART uint8_t seek_meets(void)
{
    uint8_t meeting = player_seek.meeting, axis = player_seek.next_axis;

    player_seek.meeting = MEET_FOR_NOTHING;
    switch (meeting) {
    case MEET_TO_SEEK:
        look_ahead();
        player_seek.axis = axis;
        return 1;
    case MEET_SOUGHT:
        player_seek.axis = NO_AXIS;
        if (seek_is_over())
            leave_out_the_rest();
        else
            player_end(NOT_FOUND);
        return 1;
    case MEET_TO_ZERO:
        player_streams[axis].position = player_seek.zero;
        return 1;
    default:
        return 0;
    }
}
