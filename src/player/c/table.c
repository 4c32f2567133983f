/* The source of a stand-alone player: decodes a packed schedule from program memory ahead of
 * time.
 *
 * The layout of the schedule is described where slewsmith writes it. The clock of a
 * stream counts 2^-32 ticks and is moved on by gaps and by the intervals of motions;
 * within a run these are i, with differences d1, d2, d3, all of 2^-16 ticks.
 */
#include "board.h"
#include "player.h"
#ifdef SEEKS
#include "seek.h"
#endif
#include "source.h"

/* The longest interval of a run, in ticks. */
#define LONGEST_INTERVAL 0x7FFFu
/* Longer waits are cut into pieces, so that what is left and an interval fit 16 bits
 * together. */
#define PIECE 0x4000u
#define DIRECTION_LEAD (3u * BOARD_LEAD)
#if LONGEST_INTERVAL + PIECE > 0xFFFF || PIECE < 256 || PIECE > LONGEST_INTERVAL
#error "PIECE must be 256 to LONGEST_INTERVAL, and the sum of both must fit 16 bits"
#endif
/* Most events that are decoded before other streams get their turn. */
#define AT_A_TIME 16u
#if AT_A_TIME < 1 || AT_A_TIME > 32 || RING_EVENTS % AT_A_TIME
#error "AT_A_TIME must divide RING_EVENTS and be 32 at most"
#endif
/* From here on the length of a run takes two bytes. */
#define SHORT_COUNT 112u

/* Operations of a stream. Those that are events go by the same numbers. */
enum {
    OP_END, OP_PLAY, OP_FORWARDS = FORWARDS, OP_BACKWARDS = BACKWARDS, OP_OFF = OFF, OP_ON = ON,
    OP_MARK = MARK, OP_AWAIT, OP_AWAIT_WITH_TIMEOUT, OP_MEET, OP_REPEAT, OP_NOTHING, OP_GAP,
#ifdef SEEKS
    OP_SEEK = OP_GAP + 5, OP_SOUGHT, OP_ZERO, OP_LAST = OP_ZERO
#else
    OP_LAST = OP_GAP + 4
#endif
};

/* Parts of a motion. */
enum { PART_END, PART_FORWARD, PART_EVEN, PART_BACKWARD, PART_MIRROR };

#ifdef PROGRAMS
/* Where parts of the program that is played begin. */
static uint16_t program_ramps, program_motions;
#define SCHEDULE_RAMPS program_ramps
#define SCHEDULE_MOTIONS program_motions
#endif

/* Reading the schedule. A table may be wrong although its checksum is right; the player then
 * stops as DAMAGED, and reads nothing outside of it. On an AVR tables stand
 * in a memory of their own, where reading past them harms nothing. */
#ifdef __AVR__
#define TABLE_BYTE(place) SCHEDULE_BYTE(place)
#else
static uint8_t TABLE_BYTE(const uint8_t *place)
{
    if ((uintptr_t)place - (uintptr_t)schedule < SCHEDULE_LENGTH)
        return SCHEDULE_BYTE(place);
    player_end(DAMAGED);
    return 0;
}
#endif

static uint8_t byte_at(const uint8_t **from)
{
    return TABLE_BYTE((*from)++);
}

/* `width` bytes, lowest first, as a signed number. */
APART static uint32_t signed_at(const uint8_t **from, uint8_t width)
{
    const uint8_t *byte = *from + width;
    uint32_t value = 0;

    *from = byte;
    if (width && TABLE_BYTE(byte - 1) & 128u)
        value = 0xFFFFFFFFul;
    while (width--)
        value = value << 8 | TABLE_BYTE(--byte);
    return value;
}

/* A number of seven bits a byte, lowest first. */
APART static uint32_t number_at(const uint8_t **from)
{
    const uint8_t *first = *from, *byte = first;
    uint32_t value = 0;

    while (TABLE_BYTE(byte) & 128u)
        byte++;
    *from = byte + 1;
    do
        value = value << 7 | (TABLE_BYTE(byte) & 127u);
    while (byte-- != first);
    return value;
}

#ifdef PROGRAMS
static uint16_t place_at(const uint8_t **from)
{
    return (uint16_t)signed_at(from, 2);
}
#endif

/* The schedule is refused unless its CRC-32 (ISO 3309) matches. */
uint8_t source_start(void)
{
#ifdef PROGRAMS
    /* Of each program: where it begins, its length, where its parts begin. */
    const uint8_t *head = schedule + 2u * (4u + STREAMS) * player_program;
    const uint8_t *from = schedule + place_at(&head);
    uint16_t left = place_at(&head);
#else
    static const uint16_t starts[STREAMS] = SCHEDULE_STREAMS;
    const uint8_t *from = schedule;
    uint16_t left = SCHEDULE_LENGTH;
#endif
    uint32_t crc = 0xFFFFFFFFul;
    uint8_t k;

    do {
        crc ^= byte_at(&from);
        for (k = 0; k < 8u; k++)
            crc = (crc >> 1) ^ ((crc & 1u) ? 0xEDB88320ul : 0u);
    } while (--left);
#ifdef PROGRAMS
    program_ramps = place_at(&head);
    program_motions = place_at(&head);
#endif
    for (k = 0; k < STREAMS; k++) {
#ifdef PROGRAMS
        player_streams[k].d.op = schedule + place_at(&head);
#else
        player_streams[k].d.op = schedule + starts[k];
#endif
        player_streams[k].d.run = schedule; /* none before the first */
    }
    /* The CRC of a message together with its own CRC. */
    return crc == 0xDEBB20E3ul;
}

/* Decoding. */

/* Adds the changes of a run to the state, or takes them off; returns its end. */
APART static const uint8_t *change_state(struct stream *s, const uint8_t *run, uint8_t back)
{
    uint8_t widths = byte_at(&run), head = byte_at(&run), k;

    if ((head & 127u) >= SHORT_COUNT)
        run++;
    for (k = 0; k < 4u; k++) {
        uint32_t change = signed_at(&run, widths & 3u);

        if (head & 128u)
            change <<= 8;
        if (back)
            change = 0u - change;
        s->d.state[k] += change;
        widths >>= 2;
    }
    return run + 1;
}

/* The beginning of the run that ends at `end`. */
static const uint8_t *run_before(const uint8_t *end)
{
    return end - TABLE_BYTE(end - 1);
}

/* How many intervals the run before `end` has. */
APART static uint16_t length_before(const uint8_t *end)
{
    const uint8_t *run = run_before(end);
    uint8_t count = TABLE_BYTE(run + 1) & 127u;

    if (count < SHORT_COUNT)
        return (uint16_t)(count + 1u);
    return (uint16_t)(((uint16_t)(count - SHORT_COUNT) << 8) + TABLE_BYTE(run + 2) + 1u);
}

/* Reads the interval of an even part: a fraction of 16 bits, and whole ticks. */
APART static void read_even(struct stream *s)
{
    uint32_t even = (uint16_t)signed_at(&s->d.parts, 2), ticks = number_at(&s->d.parts);

    s->d.extra = 0;
    if (ticks <= LONGEST_INTERVAL)
        even |= ticks << 16;
    else
        s->d.extra = ticks;
    s->d.even = even;
}

/* The next part of a motion. A mirror is an interval, a ramp, an even part and the ramp back,
 * in this order; only the mirror itself has a code. */
APART static void next_part(struct stream *s)
{
    uint8_t unnamed = s->d.unnamed, part = unnamed, k;

    if (unnamed)
        s->d.unnamed++;
    else
        part = byte_at(&s->d.parts);
    if (part == PART_FORWARD) {
        s->d.run = schedule + SCHEDULE_RAMPS + number_at(&s->d.parts);
        number_at(&s->d.run);
        for (k = 0; k < 4u; k++)
            s->d.state[k] = 0;
    }
    if (part == PART_MIRROR) {
        s->d.count = 1;
        s->d.unnamed = PART_FORWARD;
        part = PART_EVEN;
        if (unnamed)
            s->d.unnamed = part = PART_END;
    } else if (part == PART_BACKWARD && unnamed) {
        s->d.count = s->d.climbed;
    } else if (part != PART_END) {
        s->d.count = number_at(&s->d.parts);
    }
    if (part == PART_FORWARD)
        s->d.climbed = s->d.count;
    if (part == PART_EVEN)
        read_even(s);
    s->d.part = part;
}

/* The next stretch of a part that is not at its end. */
APART static void next_stretch(struct stream *s)
{
    uint16_t length = 0xFFFFu;

    if (s->d.part == PART_FORWARD) {
        s->d.run = change_state(s, s->d.run, 0);
        length = length_before(s->d.run);
    } else if (s->d.part == PART_BACKWARD) {
        if (s->d.gone == 0) {
            /* One run has been played back: its changes come off. */
            s->d.run = run_before(s->d.run);
            change_state(s, s->d.run, 1);
            s->d.gone = length_before(s->d.run);
        }
        length = s->d.gone;
    } else if (s->d.extra) {
        s->wait += s->d.extra;
        length = 1;
    }
    if (s->d.count < length)
        length = (uint16_t)s->d.count;
    s->d.count -= length;
    s->d.left = length;
    if (s->d.part == PART_FORWARD)
        s->d.gone = length;
    else if (s->d.part == PART_BACKWARD)
        s->d.gone = (uint16_t)(s->d.gone - length);
}

/* Where a fast schedule spends its time: `count` steps that follow each other, evenly or
 * along a ramp. They take the fraction of the clock and return the new one. */

APART static uint16_t steps_evenly(struct event *event, uint8_t count, uint8_t what, uint32_t i, uint16_t fraction)
{
    do {
        uint32_t sum = i + fraction;

        fraction = (uint16_t)sum;
        event->ticks = (uint16_t)(sum >> 16);
        event->what = what;
        event++;
    } while (--count);
    return fraction;
}

APART static uint16_t steps_along(struct event *event, uint8_t count, uint8_t what, uint32_t *state,
                                  uint16_t fraction, uint8_t back)
{
    uint32_t i = state[0], d1 = state[1], d2 = state[2];
    const uint32_t d3 = state[3];

    do {
        uint32_t sum;

        if (back) {
            d2 -= d3;
            d1 -= d2;
            i -= d1;
        }
        sum = i + fraction;
        fraction = (uint16_t)sum;
        event->ticks = (uint16_t)(sum >> 16);
        event->what = what;
        event++;
        if (!back) {
            i += d1;
            d1 += d2;
            d2 += d3;
        }
    } while (--count);
    state[0] = i;
    state[1] = d1;
    state[2] = d2;
    return fraction;
}

/* Plays some intervals of a stretch, as many as fit. */
APART static void play(struct stream *s, uint8_t room)
{
    uint8_t head = s->head, count = (uint8_t)(AT_A_TIME - head / sizeof(struct event) % AT_A_TIME);
    struct event *event = ring_at(s, head);
    const uint8_t what = s->d.step;
    uint16_t fraction = (uint16_t)(s->d.fraction[3] << 8 | s->d.fraction[2]);
    int8_t steps;

    if (room < count)
        count = room;
    if (s->d.left < count)
        count = (uint8_t)s->d.left;
    if (s->d.part == PART_EVEN)
        fraction = steps_evenly(event, count, what, s->d.even, fraction);
    else
        fraction = steps_along(event, count, what, s->d.state, fraction, s->d.part == PART_BACKWARD);
    s->d.fraction[2] = (uint8_t)fraction;
    s->d.fraction[3] = (uint8_t)(fraction >> 8);
    event->ticks = (uint16_t)(event->ticks + (uint16_t)s->wait);
    s->wait = 0;
    s->d.left = (uint16_t)(s->d.left - count);
    steps = (int8_t)count;
    if (what != STEP)
        steps = (int8_t)-steps;
    /* Wraps where a program without end turns on and on: only reports count from the start. */
    s->position = (int32_t)((uint32_t)s->position + (uint32_t)steps);
    WRITTEN();
    s->head = (uint8_t)(head + count * sizeof(struct event));
}

/* The next gap: its fraction, of which `bytes` bytes are there, then whole ticks. */
APART static void read_gap(struct stream *s, uint8_t bytes)
{
    uint8_t k;
    uint16_t sum = 0;

    for (k = (uint8_t)(4u - bytes); k != 4u; k++) {
        sum = (uint16_t)((sum >> 8) + s->d.fraction[k] + byte_at(&s->d.op));
        s->d.fraction[k] = (uint8_t)sum;
    }
#ifdef SEEKS
    /* While an axis seeks, the other streams are at its end at once. */
    if (player_seek.axis != NO_AXIS && s != &player_streams[player_seek.axis]) {
        number_at(&s->d.op);
        return;
    }
#endif
    s->wait += number_at(&s->d.op) + (sum >> 8);
}

/* A timeout may exceed 32 bits: its low 28 bits, and the bits above. */
APART static void read_timeout(struct stream *s)
{
    uint32_t low = 0;
    uint8_t byte, shift = 0;

    player_timeout_turns = 0;
    do {
        byte = byte_at(&s->d.op);
        low |= (uint32_t)(byte & 127u) << shift;
        shift += 7u;
    } while (byte & 128u && shift != 28u);
    player_timeout = low;
    if (byte & 128u)
        player_timeout_turns = number_at(&s->d.op);
}

#ifdef SEEKS
/* What all streams meet for, where that is no wait for an input. */
APART static void read_meeting(struct stream *s, uint8_t op)
{
    uint8_t axis = player_seek.next_axis;
    uint32_t folded;

    player_seek.meeting = (uint8_t)(op - OP_SEEK + MEET_TO_SEEK);
    if (op == OP_SEEK)
        player_seek.input = byte_at(&s->d.op);
    if (op != OP_SOUGHT)
        axis = byte_at(&s->d.op);
    if (op == OP_ZERO) {
        folded = number_at(&s->d.op);
        player_seek.zero = (int32_t)(folded >> 1 ^ (0u - (folded & 1u)));
    }
    if (axis >= AXES) {
        axis = 0;
        player_end(DAMAGED);
    }
    player_seek.next_axis = axis;
}
#endif

APART static void next_operation(struct stream *s)
{
    uint8_t op = byte_at(&s->d.op), value = 0;
    uint16_t wait = (uint16_t)s->wait;
    struct repeat *innermost = s->d.repeats + s->d.nested;

    if (op > OP_LAST || (op == OP_REPEAT && s->d.nested == MOST_NESTED) ||
        (op == OP_PLAY && s == &player_streams[AXES])) {
        /* No such operation, or one that does not fit. */
        s->ended = 1;
        player_end(DAMAGED);
        return;
    }
    if (op >= OP_GAP && op <= OP_GAP + 4u) {
        read_gap(s, (uint8_t)(op - OP_GAP));
        return;
    }
    switch (op) {
    case OP_END:
        if (s->d.nested == 0) {
            s->d.op--;
            s->ended = 1;
        } else {
            innermost--;
            /* A count of 0 has no end. */
            if (innermost->left == 0 || --innermost->left)
                s->d.op = innermost->body;
            else
                s->d.nested--;
        }
        return;
    case OP_REPEAT:
        innermost->left = number_at(&s->d.op);
        innermost->body = s->d.op;
        s->d.nested++;
        return;
    case OP_PLAY:
        s->d.parts = schedule + SCHEDULE_MOTIONS + number_at(&s->d.op);
        next_part(s);
        return;
#ifdef SEEKS
    case OP_SEEK:
    case OP_SOUGHT:
    case OP_ZERO:
        read_meeting(s, op);
        s->ended = 1;
        op = PASS;
        break;
#endif
    case OP_AWAIT:
    case OP_AWAIT_WITH_TIMEOUT:
        player_input = byte_at(&s->d.op);
        player_timeout = player_timeout_turns = 0;
        if (op == OP_AWAIT_WITH_TIMEOUT)
            read_timeout(s);
        /* falls through */
    case OP_MEET:
        /* The stream halts when the wait begins, not at the event before. */
        s->ended = 1;
        op = PASS;
        break;
    case OP_FORWARDS:
        s->d.step = STEP;
        break;
    case OP_BACKWARDS:
        s->d.step = STEP + 1u;
        break;
    case OP_OFF:
    case OP_ON:
        value = byte_at(&s->d.op);
        break;
    case OP_MARK:
        value = (uint8_t)(number_at(&s->d.op) + 1u);
        break;
    default:
        return;
    }
    s->wait = 0;
#if BOARD_LEAD > 0
    /* A direction comes early where there is room for that: it takes longer than other
     * events, and an output may be due at the same time. */
    if ((op == OP_FORWARDS || op == OP_BACKWARDS) && wait >= 2u * DIRECTION_LEAD) {
        wait = (uint16_t)(wait - DIRECTION_LEAD);
        s->wait = DIRECTION_LEAD;
    }
#endif
    ring_push(s, wait, op, value);
}

/* Decodes the next events of a stream, as far as its ring has room; returns whether there were
 * any. */
static uint8_t decode(struct stream *s)
{
    uint8_t head = s->head, room;

    while (s->head == head) {
        room = ring_room(s);
        if (!room)
            return 0;
        if (s->wait > LONGEST_INTERVAL) {
            s->wait -= PIECE;
            ring_push(s, PIECE, PASS, 0);
        } else if (s->d.left) {
            play(s, room);
        } else if (s->d.part == PART_END) {
            if (s->ended)
                return 0;
            next_operation(s);
        } else if (s->d.count) {
            next_stretch(s);
        } else {
            next_part(s);
        }
    }
    return 1;
}

#ifdef SEEKS
APART void source_skip(struct stream *s)
{
    while (!s->ended && player_state == RUNNING) {
        if (s->d.part == PART_END && !s->d.left) {
            next_operation(s);
            s->head = s->tail;
            continue;
        }
        /* A seek consists of even parts. */
        if (s->d.part == PART_EVEN) {
            uint16_t fraction = (uint16_t)(s->d.fraction[3] << 8 | s->d.fraction[2]);

            fraction = (uint16_t)(fraction + (uint32_t)(uint16_t)(s->d.left + s->d.count) * (uint16_t)s->d.even);
            s->d.fraction[2] = (uint8_t)fraction;
            s->d.fraction[3] = (uint8_t)(fraction >> 8);
        }
        s->d.left = 0;
        s->d.count = 0;
        s->d.gone = 0;
        next_part(s);
    }
    s->wait = 0;
}
#endif

/* In turn, so that a fast stream does not keep the others waiting. */
void source_fill(void)
{
    struct stream *s;
    uint8_t more;

    do {
        more = 0;
        for (s = player_streams; s != player_streams + STREAMS; s++)
            more |= decode(s);
        player_feed();
    } while (more);
}
