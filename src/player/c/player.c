/* Starts, waits and stops: everything between a source that fills the rings and the
 * interrupts that empty them. */
#include "player.h"

#include "event.h"
#ifdef SEEKS
#include "seek.h"
#endif
#include "source.h"
#ifdef USER
#include "user.h"
#endif

/* From starting the streams to their first event: 2 ms, but at least the time that it takes
 * to arm every channel, and at most what 16 bits hold. */
#define ARMING_TICKS (STREAMS * (BOARD_LEAD + 2u))
#define START_TICKS (TICK_RATE / 500u < 0x4000u ? TICK_RATE / 500u + ARMING_TICKS : 0x4000u)
/* From there to the first event of the schedule: room for one interrupt of every stream,
 * and for directions and outputs to come early. */
#define CLEAR (BOARD_OUTPUT_LEAD + (6u + 2u * STREAMS) * BOARD_LEAD)
/* Between two samples of an awaited input: 1/1600 s, in parts that 16 bits hold. */
#define LOOK_PARTS (TICK_RATE / 1600u / 0x4000u + 1u)
#define LOOK_TICKS (uint16_t)(TICK_RATE / 1600u / LOOK_PARTS + 1u)

struct stream player_streams[STREAMS];
volatile uint8_t player_state;
uint8_t player_ending = FINISHED;
volatile uint8_t player_mark;
uint8_t player_input;
uint32_t player_timeout, player_timeout_turns;

APART void ring_push(struct stream *stream, uint16_t ticks, uint8_t what, uint8_t value)
{
    uint8_t head = stream->head;
    struct event *event = ring_at(stream, head);

    event->ticks = ticks;
    event->what = what;
    event->value = value;
    WRITTEN();
    stream->head = (uint8_t)(head + sizeof *event);
}

APART void player_stop(uint8_t state)
{
    BOARD_INTERRUPTS_OFF();
    stop_everything(state);
}

#ifdef ENABLE_TICKS
APART void player_enable(uint8_t on)
{
    uint8_t axis;

    for (axis = 0; axis < AXES; axis++)
        board_write((uint8_t)(LINE_ENABLE + axis), on);
}

/* Some time after the end: the rotors have come to rest by then. */
APART static void release_drives(void)
{
    uint8_t axis;

    player_pause(ENABLE_TICKS);
    BOARD_INTERRUPTS_OFF();
    for (axis = 0; axis < AXES; axis++)
        if (IS_RELEASED(axis))
            board_write((uint8_t)(LINE_ENABLE + axis), 0);
    BOARD_INTERRUPTS_ON();
}
#endif

#if defined(ENABLE_TICKS) || defined(COILS) || defined(SEEKS) || defined(PROGRAMS)
APART void player_pause(uint32_t ticks)
{
    uint8_t state = player_state;
    uint16_t before = board_now();

    while (player_state == state) {
        uint16_t now = board_now(), passed = (uint16_t)(now - before);

        /* Time passes: the timer is alive. */
        if (passed)
            board_fed();
        if (ticks <= passed)
            return;
        ticks -= passed;
        before = now;
    }
}
#endif

#ifdef USER
/* How many marks have been reached, and how many of them have been told. */
static volatile uint8_t marks_reached;
static uint8_t marks_told;

/* Calls the functions of user.c that are due in a pass of the main loop. */
APART static void call_user(void)
{
    uint16_t before = board_now();
    uint8_t reached = marks_reached;

    if (reached != marks_told) {
        marks_told = reached;
        user_mark(player_mark);
    }
    user_pass();
    if ((uint16_t)(board_now() - before) > USER_TICKS && player_state == RUNNING)
        player_stop(OVERRUN);
    BOARD_INTERRUPTS_ON();
}
#endif

/* Does what an event asks for besides the step, which the timer has made; `at` is its count. */
static void act(uint8_t channel, const struct event *event, uint16_t at)
{
    uint8_t what = event->what, value = event->value;

    if (what >= STEP) {
#ifdef COILS
        coils_step(channel, what & 1u);
#endif
    } else if (what == MARK) {
        player_mark = value;
#ifdef USER
        marks_reached++;
#endif
    } else if (what >= OFF) {
        board_output(value, (uint8_t)(what - OFF), at);
    } else if (what >= FORWARDS) {
        board_write((uint8_t)(LINE_DIRECTION + channel), what == FORWARDS);
#ifdef HOLDS
    } else if (channel != AXES) {
        uint8_t place = (uint8_t)((const uint8_t *)event - (const uint8_t *)player_streams[channel].ring);

        coils_wait(channel, (uint8_t)(place + sizeof *event));
#endif
    }
}

/* Writes those outputs that no timer makes, when they are due. */
static void write_outputs(struct stream *stream, uint8_t end, uint16_t due)
{
    uint8_t place;

    for (place = stream->tail; place != end; place = (uint8_t)(place + sizeof(struct event))) {
        const struct event *event = ring_at(stream, place);

        if ((event->what != OFF && event->what != ON) || !board_writes(event->value))
            continue;
        while (player_state == RUNNING && (int16_t)(board_now() - due) < 0) {
        }
        BOARD_INTERRUPTS_OFF();
        /* The stop contact has priority. */
        if (player_state == RUNNING)
            board_write((uint8_t)(LINE_OUTPUT + event->value), event->what == ON);
        BOARD_INTERRUPTS_ON();
    }
}

void player_event(uint8_t channel, uint16_t at)
{
    struct stream *stream = &player_streams[channel];
    uint8_t tail = stream->tail, mode = stream->stepping;
    uint16_t ticks = 0;
#ifdef SEEKS
    uint8_t seeks = channel == player_seek.axis, is_over = 0;
#endif

    for (;;) {
        const struct event *event = ring_at(stream, tail);

        act(channel, event, at);
#ifdef SEEKS
        if (seeks && event->what & STEP) {
            mode = ARM_AFTER_STEP;
            seek_look();
        }
#endif
        tail = (uint8_t)(tail + sizeof *event);
        if (tail == stream->head)
            break;
        event = ring_at(stream, tail);
#ifdef SEEKS
        is_over = seeks && event->what & STEP && seek_is_over();
        if (is_over)
            break;
#endif
        ticks = event->ticks;
        if (event->what & STEP)
            mode |= ARM_STEP;
        if (ticks) {
            mode |= ARM_EVENT;
            break;
        }
    }
    if (mode & ARM_AFTER_STEP)
        while ((uint16_t)(board_now() - at) < PULSE_END) {
        }
    if (BOARD_WRITTEN_OUTPUTS && channel == AXES)
        write_outputs(stream, tail, (uint16_t)(at + BOARD_OUTPUT_LEAD - BOARD_WRITE_LEAD));
    stream->tail = tail;
    stream->stepping = (uint8_t)((mode & ARM_STEP) * (ARM_AFTER_STEP / ARM_STEP));
#ifdef SEEKS
    /* Every step of a seek comes here. */
    if (seeks)
        stream->stepping = 0;
#endif
    /* A missed count would come again only after 65,536 ticks. */
    if (!board_arm(channel, at, ticks, mode))
        player_stop(LATE);
    if (!ticks) {
        stream->halted = 1;
#ifdef SEEKS
        if (is_over)
            return;
#endif
        if (!stream->ended)
            player_stop(STARVED);
    }
}

/* Prepares a stream to start with an event that does nothing. */
APART static void prepare(struct stream *stream, uint16_t wait)
{
    ring_push(stream, 0, PASS, 0);
    stream->wait = wait;
    stream->ended = 0;
    stream->halted = 0;
}

/* Starts all streams at one count of the timer. Events of outputs come earlier than steps, by
 * the time that the board needs to prepare the outputs. */
static void start_streams(void)
{
    uint16_t now;
    uint8_t k;

#ifdef HOLDS
    coils_raise();
#endif
    for (k = 0; k < AXES; k++)
        prepare(&player_streams[k], CLEAR);
    prepare(&player_streams[AXES], CLEAR - BOARD_OUTPUT_LEAD);
    player_input = NO_INPUT;
    source_fill();
    BOARD_INTERRUPTS_OFF();
    now = board_now();
    for (k = 0; k < STREAMS && player_state == RUNNING; k++)
        if (!board_arm(k, now, (uint16_t)START_TICKS, ARM_EVENT | ARM_FIRST))
            player_stop(LATE);
    BOARD_INTERRUPTS_ON();
}

APART void player_end(uint8_t state)
{
    BOARD_INTERRUPTS_OFF();
    if (player_state == RUNNING)
        player_state = state;
    BOARD_INTERRUPTS_ON();
}

/* Waits until eight samples of the input in a row, 5 ms, are as awaited. */
void player_wait(void)
{
    uint8_t state = player_state, until = UNTIL_OF(player_input), looks = until == UNTIL_ACTIVE ? 0 : 255u;
    uint16_t before = board_now();
    uint32_t left = player_timeout, turns = player_timeout_turns;
    uint8_t is_timed = left || turns, part = 0;

    while (player_state == state) {
        if (until == UNTIL_ACTIVE ? looks == 255u : looks == 0) {
            if (until != UNTIL_PRESSED)
                return;
            until = UNTIL_ACTIVE;
        }
#ifdef USER
        if (state == RUNNING)
            call_user();
#endif
#ifdef STREAMED
        source_fill(); /* keeps talking to the host */
#endif
#ifdef HOLDS
        coils_rest();
#endif
#ifdef START_INPUT
        board_restart(); /* a stop has halted the timer */
#endif
        if ((uint16_t)(board_now() - before) < LOOK_TICKS)
            continue;
        before = (uint16_t)(before + LOOK_TICKS);
        board_fed();
        if (++part >= LOOK_PARTS) {
            part = 0;
            looks = (uint8_t)(looks << 1 | board_read(INPUT_OF(player_input)));
        }
        if (!is_timed)
            continue;
        if (left <= LOOK_TICKS) {
            if (turns) {
                turns--;
                left += TIMEOUT_TURN;
            } else {
                player_end(TIMED_OUT);
            }
        }
        left -= LOOK_TICKS;
    }
}

void player_feed(void)
{
    static uint8_t seen;
    uint8_t taken = 0, k;

    for (k = 0; k < STREAMS; k++)
        taken = (uint8_t)(taken + player_streams[k].tail);
    if (taken != seen) {
        seen = taken;
        board_fed();
    }
}

static uint8_t all_halted(void)
{
    uint8_t k;

    for (k = 0; k < STREAMS; k++)
        if (!player_streams[k].halted)
            return 0;
    return 1;
}

#ifdef PROGRAMS
uint8_t player_program;

/* Selects a program by inputs that have been as they are for 5 ms; each active one counts
 * twice as much as the one before. */
APART static void select_program(void)
{
    static const uint8_t inputs[SELECTS] = SELECT_INPUTS;
    uint8_t left = 8, k;

    player_program = 0;
    do {
        uint8_t number = 0;

        for (k = SELECTS; k--;)
            number = (uint8_t)(number << 1 | board_read(inputs[k]));
        if (number != player_program)
            left = 8;
        player_program = number;
        player_pause(TICK_RATE / 1600u + 1u);
    } while (--left && player_state == RUNNING);
}
#endif

uint8_t player_run(void)
{
#ifdef PROGRAMS
    select_program();
    if (player_program >= PROGRAMS) {
        player_state = NO_PROGRAM;
        return NO_PROGRAM;
    }
#endif
    if (!source_start()) {
        player_state = DAMAGED;
        return DAMAGED;
    }
#ifdef SEEKS
    seek_reset();
#endif
    BOARD_INTERRUPTS_ON();
    if (board_read(INPUT_STOP_CONTACT))
        player_state = STOP_CONTACT;
#ifdef USER
    user_start();
#endif
    board_watch(1);
#ifdef ENABLE_TICKS
    BOARD_INTERRUPTS_OFF();
    /* The stop contact has priority. */
    if (player_state == RUNNING)
        player_enable(1);
    BOARD_INTERRUPTS_ON();
    if (player_state == RUNNING)
        player_pause(ENABLE_TICKS);
#endif
#ifdef COILS
    if (player_state == RUNNING)
        coils_on();
#endif
    if (player_state == RUNNING)
        start_streams();
    while (player_state == RUNNING) {
        source_fill();
        player_feed();
#ifdef USER
        call_user();
#endif
#ifdef HOLDS
        coils_rest();
#endif
        BOARD_INTERRUPTS_OFF();
        if (player_state == RUNNING && !all_halted()) {
#ifdef STREAMED
            BOARD_INTERRUPTS_ON(); /* the line needs service */
#else
            BOARD_IDLE();
#endif
            continue;
        }
        BOARD_INTERRUPTS_ON();
#ifdef SEEKS
        if (seek_meets()) {
            if (player_state == RUNNING)
                start_streams();
            continue;
        }
#endif
        if (player_input == NO_INPUT) {
            player_end(player_ending);
        } else {
            player_wait();
            if (player_state == RUNNING)
                start_streams();
        }
    }
#ifdef ENABLE_TICKS
    if (player_state == FINISHED)
        release_drives();
#endif
    board_watch(0);
    if (player_state != FINISHED)
        everything_off();
#ifdef USER
    marks_told = marks_reached;
    user_end(player_state);
#endif
    return player_state;
}

#ifdef START_INPUT
void player_restart(void)
{
    uint8_t *byte = (uint8_t *)player_streams;
    uint16_t left = sizeof player_streams;

    while (left--)
        *byte++ = 0;
    board_outputs_off();
    board_restart();
    player_mark = 0;
    player_state = RUNNING;
}
#endif

int32_t player_position(uint8_t axis)
{
    struct stream *stream = &player_streams[axis];
    uint32_t position = (uint32_t)stream->position; /* wraps */
    uint8_t place = stream->tail;

#ifndef COILS
    uint8_t is_step = stream->stepping;

#ifdef SEEKS
    if (axis == player_seek.axis && !stream->halted && place != stream->head)
        is_step = ring_at(stream, place)->what & STEP;
#endif
    if (is_step && board_read((uint8_t)(INPUT_DUE + axis)))
        place = (uint8_t)(place + sizeof(struct event));
#endif
    /* Less the steps that are still in the ring. */
    for (; place != stream->head; place = (uint8_t)(place + sizeof(struct event))) {
        const struct event *event = ring_at(stream, place);

        if (event->what == STEP)
            position--;
        else if (event->what & STEP)
            position++;
    }
    return (int32_t)position;
}
