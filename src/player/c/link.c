/* A source that gets its events over a serial line.
 *
 * Pieces of records come in, are checked, taken in their order and kept in a queue; each
 * record is decoded into its stream's ring when the one before it has been. Behind some
 * records comes a slow-down, in pieces too: how the axes come to a standstill from there.
 * Records count once all of their slow-down has come, so that the two always fit.
 * Should nothing more come before a ring runs dry, the slow-down is played, and nothing
 * that comes in later moves anything until the host greets again. So the shafts never
 * stop abruptly, and the board knows where they stand.
 */
#include "link.h"

#include "source.h"

#ifdef HOLDS
#include "coils.h"
#endif

#define VERSION 3u

/* Payloads: see src/stream/message.rs of slewsmith. */
enum { GREETING = 1, DATA, STOP, QUESTION };
enum { WELCOME = 1, REPORT };
enum { FLAG_START = 1, FLAG_SLOW = 2, FLAG_LAST = 4 };
#ifdef COILS
#define FLAG_COILS 2u
#else
#define FLAG_COILS 0u
#endif
#define LIKENESS_BYTES 8u
#define HEAD_BYTES 4u
#define CRC_BYTES 4u
/* The CRC of a message together with its own CRC. */
#define CRC_START 0xFFFFFFFFul
#define CRC_WHOLE 0xDEBB20E3ul

/* Records: 8 * kind + stream. */
enum {
    KIND_PASS = 8, KIND_STEP, KIND_FORWARDS, KIND_BACKWARDS, KIND_OFF, KIND_MARK = 14, KIND_END,
    KIND_AWAIT = 17
};
/* Of `due`, besides what happens at events. */
enum { DUE_NONE = 32, DUE_END };

/* Longer waits are cut into pieces, each short enough for the fast path between two pieces
 * (step_avr.h). */
#if TICK_RATE / 64u < 0x4000u
#define PIECE (uint16_t)(TICK_RATE / 64u)
#else
#define PIECE 0x4000u
#endif
#define LONGEST_WAIT (PIECE + PIECE / 2ul)
/* Least time from the last event of a stream to its end. */
#define GUARD (TICK_RATE / 10000u + 1u)
/* A ring with less than this is about to run dry ... */
#define SOON (TICK_RATE / 50u)
#define FEW_EVENTS (RING_EVENTS / 2u)
/* ... and a host that is silent for so long is gone. */
#define SILENCE TICK_RATE
#define REPORT_EVERY (TICK_RATE / 50u)
/* Bytes taken from the line, and steps decoded, at a time: neither may delay the other for
 * long, and bytes must not delay steps. */
#define BYTES_AT_A_TIME 16u
#define BYTES_MEANWHILE 2u
#define STEPS_AT_A_TIME 16u
#if BYTES_AT_A_TIME < 1 || BYTES_AT_A_TIME > 255 || BYTES_MEANWHILE < 1 || BYTES_MEANWHILE > BYTES_AT_A_TIME
#error "BYTES_AT_A_TIME must be 1 to 255, and BYTES_MEANWHILE no more"
#endif
#if STEPS_AT_A_TIME < 1 || STEPS_AT_A_TIME > 32 || RING_EVENTS % STEPS_AT_A_TIME
#error "STEPS_AT_A_TIME must divide RING_EVENTS and be 32 at most"
#endif

static uint8_t queue[LINK_QUEUE];
/* Positions in the queue, counting without end: `tail` is the first valid record, `head` the
 * end of the valid records, `filled` the end of the records received. */
static uint16_t head, tail, filled;
/* The valid slow-down, and the one being received. */
static uint8_t slow_downs[2][LINK_SLOW_DOWN + CRC_BYTES];
static uint8_t which, slow_length, slow_filled, slow_new;

/* The frame being received. Its payload goes straight to its place, and stays there if the
 * frame is whole and expected. */
static uint8_t in_head[HEAD_BYTES];
static uint16_t in_count;
static uint32_t in_crc = CRC_START;
static uint8_t in_left; /* bytes until the next code of the stuffing */
static uint8_t in_zero; /* a zero byte stands in front of that */
static uint8_t in_bad, in_begun;

/* What is being said. */
static uint8_t out[2u + CRC_BYTES + 1u + LIKENESS_BYTES + 8u + (AXES > 1u ? 4u * AXES : 4u)];
static uint8_t out_length, out_at, out_code;
static uint32_t out_crc;
static uint8_t say_welcome, say_report, accepted;

static uint8_t digest[4];
static uint8_t known;    /* a host has greeted since the axes stopped */
static uint8_t standing; /* nothing is being played */
static uint8_t go;       /* the host says that everything may move */
static uint8_t expected; /* number of the data that come next */
static uint8_t heard;    /* tag of what came last */
static uint8_t closing;  /* no more data are taken; how the program then ends */
static uint8_t slowing;
static uint16_t before;  /* what the timer showed last ... */
static uint32_t quiet, unsaid; /* ... ticks without a word from the host, or to it */

static const uint8_t *cursor; /* the slow-down's next byte, while one is being read */
static uint8_t malformed; /* a record was incomplete, or names a line that does not exist */

#define FREE() (uint16_t)(LINK_QUEUE - (uint16_t)(filled - tail))
#define PLACE(at) ((uint16_t)(at) & (LINK_QUEUE - 1u))

#ifdef __AVR__
#include <avr/pgmspace.h>
#define CRC_MEMORY PROGMEM
#define CRC_AT(place) pgm_read_dword(place)
#else
#define CRC_MEMORY
#define CRC_AT(place) (*(place))
#endif

/* CRC-32 (ISO 3309), by half bytes. */
static const uint32_t crc_of_low[16] CRC_MEMORY = {
    0x00000000ul, 0x77073096ul, 0xEE0E612Cul, 0x990951BAul,
    0x076DC419ul, 0x706AF48Ful, 0xE963A535ul, 0x9E6495A3ul,
    0x0EDB8832ul, 0x79DCB8A4ul, 0xE0D5E91Eul, 0x97D2D988ul,
    0x09B64C2Bul, 0x7EB17CBDul, 0xE7B82D07ul, 0x90BF1D91ul,
};
static const uint32_t crc_of_high[16] CRC_MEMORY = {
    0x00000000ul, 0x1DB71064ul, 0x3B6E20C8ul, 0x26D930ACul,
    0x76DC4190ul, 0x6B6B51F4ul, 0x4DB26158ul, 0x5005713Cul,
    0xEDB88320ul, 0xF00F9344ul, 0xD6D6A3E8ul, 0xCB61B38Cul,
    0x9B64C2B0ul, 0x86D3D2D4ul, 0xA00AE278ul, 0xBDBDF21Cul,
};

APART static uint32_t crc_of(uint32_t crc, uint8_t byte)
{
    byte ^= (uint8_t)crc;
    return crc >> 8 ^ CRC_AT(&crc_of_low[byte & 15u]) ^ CRC_AT(&crc_of_high[byte >> 4]);
}

/* Saying. */

static void put_stuffed(uint8_t byte)
{
    if (byte == 0) {
        out[out_code] = (uint8_t)(out_length - out_code);
        out_code = out_length;
    }
    out[out_length++] = byte;
}

static void put(uint8_t byte)
{
    out_crc = crc_of(out_crc, byte);
    put_stuffed(byte);
}

APART static void put_number(uint32_t number, uint8_t bytes)
{
    while (bytes--) {
        put((uint8_t)number);
        number >>= 8;
    }
}

APART static uint8_t likeness(uint8_t at)
{
    if (at == 0)
        return VERSION;
    if (at <= 4)
        return (uint8_t)((uint32_t)TICK_RATE >> (8u * (at - 1u)));
    return at == 5 ? AXES : at == 6 ? OUTPUTS : INPUTS;
}

static uint8_t state(void)
{
    if (!standing && player_state == RUNNING)
        return slowing ? LINK_SLOWING : RUNNING;
    if (known && player_state == RUNNING)
        return LINK_READY;
    return player_state == RUNNING ? LINK_IDLE : player_state;
}

/* Ticks of the events in a ring that are still to come. */
APART static uint32_t ticks_in(struct stream *s)
{
    uint32_t ticks = 0;
    uint8_t place;

    for (place = s->tail; place != s->head; place = (uint8_t)(place + sizeof(struct event)))
        ticks += ring_at(s, place)->ticks;
    return ticks;
}

/* Whether a ring needs steps that are known: they have priority. */
APART static uint8_t in_need(void)
{
    uint8_t k;

    for (k = 0; k < AXES; k++)
        if (player_streams[k].d.count && ring_room(&player_streams[k]) > RING_EVENTS / 4u)
            return 1;
    return 0;
}

static void compose(void)
{
    uint8_t k;
    uint32_t played = 0;

    out_length = 1;
    out_code = 0;
    out_at = 0;
    out_crc = CRC_START;
    if (say_welcome) {
        say_welcome = 0;
        put(WELCOME);
        for (k = 0; k < LIKENESS_BYTES; k++)
            put(likeness(k));
        for (k = 0; k < sizeof digest; k++)
            put(digest[k]);
        put_number(LINK_QUEUE, 2);
        put(LINK_SLOW_DOWN);
        put(accepted | FLAG_COILS);
    } else {
        say_report = 0;
        unsaid = 0;
        put(REPORT);
        put(expected);
        put(heard);
        put_number(FREE(), 2);
        put(state());
        for (k = 0; k < STREAMS; k++) {
            uint32_t ticks = player_streams[k].d.pushed - ticks_in(&player_streams[k]);

            if ((int32_t)(ticks - played) > 0)
                played = ticks;
        }
        put_number(played, 4);
        put(player_mark);
        for (k = 0; k < AXES; k++)
            put_number((uint32_t)player_position(k), 4);
    }
    {
        uint32_t crc = ~out_crc;

        for (k = 0; k < CRC_BYTES; k++) {
            put_stuffed((uint8_t)crc);
            crc >>= 8;
        }
    }
    out[out_code] = (uint8_t)(out_length - out_code);
    out[out_length++] = 0;
}

static void speak(void)
{
    if (out_at != out_length) {
        if (board_serial_put(out[out_at]))
            out_at++;
    } else if ((say_welcome || say_report) && !in_need()) {
        compose();
    }
}

/* Listening. */

static uint8_t in_byte(uint8_t at)
{
    if (at < HEAD_BYTES)
        return in_head[at];
    return queue[PLACE(filled + at - HEAD_BYTES)];
}

static void greeted(uint8_t length)
{
    uint8_t k, alike = length == 1u + LIKENESS_BYTES + sizeof digest;

    for (k = 0; k < LIKENESS_BYTES; k++)
        alike &= in_byte((uint8_t)(k + 1u)) == likeness(k);
    for (k = 0; k < sizeof digest; k++)
        digest[k] = in_byte((uint8_t)(1u + LIKENESS_BYTES + k));
    say_welcome = 1;
    accepted = alike && standing && !go;
    if (!accepted)
        return;
    board_restart();
    known = 1;
    expected = heard = 0;
    tail = filled = head;
    slow_length = slow_filled = slow_new = 0;
    closing = slowing = 0;
    player_ending = FINISHED;
    player_state = RUNNING;
    player_mark = 0;
    for (k = 0; k < STREAMS; k++) {
        struct stream *s = &player_streams[k];
        uint8_t *byte = (uint8_t *)s;
        uint16_t left = sizeof *s;

        while (left--)
            *byte++ = 0;
        s->d.due = DUE_NONE;
    }
}

/* A piece of records or of a slow-down. */
static void data(uint8_t length)
{
    uint8_t flags = in_head[3];

    if (in_head[2] != expected || closing || (standing && !known)) {
        say_report = 1;
        return;
    }
    expected++;
    if (flags & FLAG_SLOW) {
        slow_new = 1;
        slow_filled = (uint8_t)(slow_filled + length);
    } else {
        filled = (uint16_t)(filled + length);
    }
    if (!(flags & FLAG_LAST))
        return;
    head = filled;
    if (slow_new) {
        which ^= 1u;
        slow_length = slow_filled;
        slow_filled = slow_new = 0;
    }
    go |= flags & FLAG_START;
}

/* A frame is complete. */
static void arrived(void)
{
    if (!in_begun || in_bad || in_left || in_count < 1u + CRC_BYTES || in_count > 254u || in_crc != CRC_WHOLE)
        return;
    quiet = 0;
    switch (in_head[0]) {
    case GREETING:
        greeted((uint8_t)(in_count - CRC_BYTES));
        break;
    case DATA:
        heard = in_head[1];
        if (in_count >= HEAD_BYTES + CRC_BYTES)
            data((uint8_t)(in_count - HEAD_BYTES - CRC_BYTES));
        break;
    case STOP:
        if (standing) {
            known = 0;
        } else if (!closing) {
            closing = STOPPED;
        }
        say_report = 1;
        break;
    case QUESTION:
        heard = in_head[1];
        say_report = 1;
        break;
    }
}

static void take(uint8_t byte)
{
    uint8_t at = (uint8_t)(in_count - HEAD_BYTES);

    in_crc = crc_of(in_crc, byte);
    if (in_count < HEAD_BYTES) {
        in_head[in_count] = byte;
    } else if (in_head[0] == DATA && in_head[3] & FLAG_SLOW) {
        if (at < (uint8_t)(sizeof slow_downs[0] - slow_filled))
            slow_downs[which ^ 1u][(uint8_t)(slow_filled + at)] = byte;
        else
            in_bad = 1;
    } else if (at < FREE()) {
        queue[PLACE(filled + at)] = byte;
    } else {
        in_bad = 1;
    }
    in_count++;
}

static void listen(void)
{
    uint8_t left = in_need() ? BYTES_MEANWHILE : BYTES_AT_A_TIME;
    int16_t got;

    while (left-- && (got = board_serial_get()) >= 0) {
        uint8_t byte = (uint8_t)got;

        if (byte == 0) {
            arrived();
            in_count = in_begun = in_left = in_zero = in_bad = 0;
            in_crc = CRC_START;
            continue;
        }
        in_begun = 1;
        if (in_count > 255u) {
            in_bad = 1;
        } else if (in_left) {
            in_left--;
            take(byte);
        } else {
            if (in_zero)
                take(0);
            in_left = (uint8_t)(byte - 1u);
            in_zero = byte != 255u;
        }
    }
}

/* Decoding. */

static uint8_t record_byte(void)
{
    if (cursor) {
        if (cursor != slow_downs[which] + slow_length)
            return *cursor++;
    } else if (tail != head) {
        return queue[PLACE(tail++)];
    }
    malformed = 1;
    return 0;
}

/* A number of seven bits a byte, lowest first, of at most `bits` bits; `more` says whether
 * there are further bytes of it. */
APART static uint32_t record_bits(uint8_t bits, uint8_t *more)
{
    uint32_t value = 0;
    uint8_t byte, shift = 0;

    do {
        byte = record_byte();
        value |= (uint32_t)(byte & 127u) << shift;
        shift = (uint8_t)(shift + 7u);
    } while (byte & 128u && shift < bits);
    *more = byte & 128u;
    return value;
}

static uint32_t record_number(void)
{
    uint8_t more;

    return record_bits(32, &more);
}

/* Reads the rest of a record after its first byte. */
APART static void read_whole_record(struct stream *s, uint8_t kind)
{
    uint8_t k, widths, more;

    if (kind < KIND_PASS) {
        s->d.count = (uint16_t)record_number();
        s->d.fraction = 0x8000u;
        widths = record_byte();
        for (k = 0; k < 4u; k++) {
            uint32_t value = 0;

            if (k <= kind) {
                uint8_t width = (uint8_t)((widths & 3u) + 1u), n, byte = 0;

                for (n = 0; n < width; n++) {
                    byte = record_byte();
                    value |= (uint32_t)byte << (8u * n);
                }
                if (byte & 128u && width < 4u)
                    value |= 0xFFFFFFFFul << (8u * width);
                widths >>= 2;
            }
            s->d.state[k] = value;
        }
        return;
    }
    s->d.wait = record_number();
    /* In the order of the player's events, but for the step. */
    s->d.due = kind == KIND_STEP ? s->d.step : (uint8_t)(kind - KIND_PASS);
    if (kind >= KIND_OFF && kind <= KIND_MARK) {
        s->d.value = record_byte();
    } else if (kind >= KIND_END) {
        s->d.due = DUE_END;
        if (kind == KIND_AWAIT) {
            player_input = record_byte();
            player_timeout = record_bits(28, &more);
            player_timeout_turns = more ? record_number() : 0;
        }
    } else if (kind == KIND_FORWARDS) {
        s->d.step = STEP;
    } else if (kind == KIND_BACKWARDS) {
        s->d.step = STEP + 1;
    }
}

APART static void read_record(struct stream *s, uint8_t kind)
{
    uint8_t of_axis = s != &player_streams[AXES];

    /* Steps and directions belong to axes; outputs and texts to the last stream. */
    if (kind < KIND_OFF)
        malformed = kind != KIND_PASS && !of_axis;
    else
        malformed = kind > KIND_AWAIT || (of_axis && (kind < KIND_END || kind == KIND_AWAIT));
    s->d.value = 0;
    read_whole_record(s, kind);
    if (kind >= KIND_OFF && kind < KIND_MARK && s->d.value + 1u > OUTPUTS)
        malformed = 1;
    if (kind == KIND_AWAIT && INPUT_OF(player_input) + 1u > INPUTS)
        malformed = 1;
    if (!malformed)
        return;
    s->d.count = 0;
    s->d.due = DUE_NONE;
    player_input = NO_INPUT;
    closing = LINE_DEAD;
    tail = head;
}

static uint8_t is_busy(const struct stream *s)
{
    return s->d.count != 0 || s->d.due != DUE_NONE || s->ended;
}

/* Gives records to their streams, until the next one's is still busy. */
static void hand_out(void)
{
    while (tail != head) {
        uint8_t first = queue[PLACE(tail)], k = first & 7u;

        if (k >= STREAMS) {
            closing = LINE_DEAD;
            tail = head;
            return;
        }
        if (is_busy(&player_streams[k]))
            return;
        tail++;
        read_record(&player_streams[k], first >> 3);
    }
}

APART static void push(struct stream *s, uint16_t ticks, uint8_t what, uint8_t value)
{
    s->d.pushed += ticks;
    ticks = (uint16_t)(ticks + s->wait);
    s->wait = 0;
    ring_push(s, ticks, what, value);
}

static void count_steps(struct stream *s, uint8_t count)
{
    if (s->d.step == STEP)
        s->position = (int32_t)((uint32_t)s->position + count); /* wraps */
    else
        s->position = (int32_t)((uint32_t)s->position - count);
}

/* Pushes steps of a run, as far as the ring has room. A fast schedule spends its time here. */
APART static void push_steps(struct stream *s, uint8_t room)
{
    uint8_t head = s->head, what = s->d.step, left;
    struct event *event = ring_at(s, head), *first = event;
    uint16_t fraction = s->d.fraction;
    uint32_t i = s->d.state[0], d1 = s->d.state[1], d2 = s->d.state[2], pushed = s->d.pushed;
    const uint32_t d3 = s->d.state[3];
    uint8_t count = (uint8_t)(STEPS_AT_A_TIME - head / sizeof *event % STEPS_AT_A_TIME);

    if (room < count)
        count = room;
    if (s->d.count < count)
        count = (uint8_t)s->d.count;
    left = count;
    do {
        uint32_t sum = i + fraction;
        uint16_t ticks = (uint16_t)(sum >> 16);

        event->ticks = ticks;
        event->what = what;
        event++;
        pushed += ticks;
        fraction = (uint16_t)sum;
        i += d1;
        d1 += d2;
        d2 += d3;
    } while (--left);
    first->ticks = (uint16_t)(first->ticks + s->wait);
    s->wait = 0;
    s->d.state[0] = i;
    s->d.state[1] = d1;
    s->d.state[2] = d2;
    s->d.fraction = fraction;
    s->d.pushed = pushed;
    s->d.count = (uint16_t)(s->d.count - count);
    count_steps(s, count);
    WRITTEN();
    s->head = (uint8_t)(head + count * sizeof *event);
}

static void push_due(struct stream *s)
{
    uint8_t what = s->d.due;
    uint32_t wait = s->d.wait;

    if (wait > LONGEST_WAIT) {
        s->d.wait -= PIECE;
        push(s, PIECE, PASS, 0);
        return;
    }
    s->d.due = DUE_NONE;
    if (what == DUE_END) {
        if (wait >= GUARD)
            push(s, (uint16_t)wait, PASS, 0);
        else
            s->d.pushed += wait;
        s->ended = 1;
        return;
    }
    if (what & STEP)
        count_steps(s, 1);
    /* A direction is written a little after its event, so the event comes earlier. */
    if ((what == FORWARDS || what == BACKWARDS) && wait > 2u * BOARD_LEAD) {
        push(s, (uint16_t)(wait - BOARD_LEAD), what, 0);
        s->d.pushed += BOARD_LEAD;
        s->wait = BOARD_LEAD;
        return;
    }
    push(s, (uint16_t)wait, what, s->d.value);
}

static void fill(struct stream *s)
{
    uint8_t room;

    while (!s->ended && (room = ring_room(s)) != 0) {
        if (s->d.count) {
            push_steps(s, room);
            return;
        } else if (s->d.due != DUE_NONE) {
            push_due(s);
        } else if (!slowing) {
            return;
        } else if (s->d.slow >= s->d.slow_end) {
            s->ended = 1;
        } else {
            uint8_t first;

            cursor = slow_downs[which] + s->d.slow;
            first = record_byte();
            read_record(s, first >> 3);
            s->d.slow = malformed ? s->d.slow_end : (uint8_t)(cursor - slow_downs[which]);
            cursor = 0;
        }
    }
}

static void slow_down(void)
{
    uint8_t k, at = 0;

    slowing = 1;
    say_report = 1;
    for (k = 0; k < AXES && at < slow_length; k++) {
        player_streams[k].d.slow = (uint8_t)(at + 1u);
        at = (uint8_t)(at + 1u + slow_downs[which][at]);
        if (at < player_streams[k].d.slow || at > slow_length)
            at = slow_length;
        player_streams[k].d.slow_end = at;
    }
}

/* Detects the end of the data, and data that are late. */
static void watch(void)
{
    uint8_t k, all_halted = 1;

    for (k = 0; k < STREAMS; k++) {
        struct stream *s = &player_streams[k];
        uint8_t used = (uint8_t)(s->head - s->tail) / sizeof(struct event);

        all_halted &= s->halted;
        /* How much of the next event's wait has passed is unknown. */
        if (tail == head && !is_busy(s) && used < FEW_EVENTS &&
            ticks_in(s) - ring_at(s, s->tail)->ticks < SOON && !closing)
            closing = LINE_DEAD;
    }
    if (!closing || slowing)
        return;
    if (tail == head) {
        player_ending = closing;
        slow_down();
    }
    /* An input must not start a move that the host does not know of. */
    if (all_halted && player_input != NO_INPUT)
        player_end(closing);
}

static void look_at_time(void)
{
    uint16_t now = board_now(), passed = (uint16_t)(now - before);

    before = now;
    quiet += passed;
    unsaid += passed;
    if (known) {
        if (unsaid >= REPORT_EVERY)
            say_report = 1;
        if (quiet > SILENCE) {
            quiet = 0;
            if (standing)
                known = 0;
            else if (!closing)
                closing = LINE_DEAD;
        }
    }
}

uint8_t source_start(void)
{
    uint8_t state = player_state;

    standing = 1;
    known = go = 0;
    tail = filled = head;
    say_report = 1;
    quiet = 0;
    do {
        /* Bytes come in by one. A stop contact that opens meanwhile turns them off, and not every
         * processor turns them on again behind the interrupt of the contact. */
        BOARD_INTERRUPTS_ON();
        listen();
        look_at_time();
        /* A stop is told at once. */
        if (player_state != state) {
            state = player_state;
            say_report = 1;
        }
        speak();
#ifdef HOLDS
        coils_rest();
#endif
    } while (!(known && go));
    standing = 0;
    return 1;
}

void source_fill(void)
{
    uint8_t k;

    listen();
    look_at_time();
    hand_out();
    for (k = 0; k < STREAMS; k++)
        fill(&player_streams[k]);
    hand_out();
    watch();
    speak();
}
