/* The player: plays a schedule with one timer.
 *
 * Each axis has a stream of events of its own, and outputs, inputs and texts share one
 * more. A source (table.c: a packed schedule in memory; link.c: a serial line) puts
 * the events of every stream into a ring, ahead of time; the compare interrupt of the
 * stream's timer channel takes them out. The interrupt computes nothing, so that it
 * is short and always takes the same time.
 *
 * Five functions separate the player from the board; see board.h.
 */
#ifndef PLAYER_H
#define PLAYER_H

#include <stdint.h>

#include "schedule.h"
#ifdef STREAMED
#include "decoder_link.h"
#else
#include "decoder_table.h"
#endif

/* Small code matters more than calls here. */
#if defined(__GNUC__)
#define APART __attribute__((noinline))
#else
#define APART
#endif

/* Keeps the compiler from publishing an event to the interrupts before it is written. */
#if defined(__GNUC__)
#define WRITTEN() __asm__ __volatile__("" : : : "memory")
#else
#define WRITTEN() (void)0
#endif

/* Events of a ring; each takes 4 bytes, so that a place in it is one byte, which starts over
 * where the ring does. */
#define RING_EVENTS 64u
#if RING_EVENTS != 64
#error "RING_EVENTS must be 64: a place in a ring is one byte, and an event has four"
#endif
#if STREAMS != AXES + 1 || AXES < 1
#error "STREAMS must be AXES + 1"
#endif
#if STEP_PULSE_TICKS < 1 || STEP_PULSE_TICKS > 0x7FFE
#error "STEP_PULSE_TICKS must be 1 to 32766"
#endif

/* What happens at an event. Bit 2 is set where outputs or texts are meant, bit 0 where an
 * output goes on or a direction backwards. */
enum {
    PASS,      /* nothing: a part of a long wait */
    FORWARDS = 2, /* the direction line goes high */
    BACKWARDS, /* the direction line goes low */
    OFF,       /* output `value` off */
    ON,        /* output `value` on */
    MARK,      /* the text `value` has been reached */
    STEP = 128 /* the timer has raised the step line; STEP + 1 where that is backwards */
};

struct event {
    uint16_t ticks; /* since the event before */
    uint8_t what;
    uint8_t value;
};

struct stream {
    volatile uint8_t head;  /* bytes into the ring: where the next event goes */
    volatile uint8_t tail;  /* the event that the timer is waiting for */
    volatile uint8_t ended; /* nothing comes behind what is in the ring */
    volatile uint8_t halted;
    uint8_t stepping;       /* ARM_AFTER_STEP where the event at `tail` is a step, or 0 */
    uint32_t wait;          /* ticks from the last event in the ring to the next one */
    int32_t position;       /* of the axis, once everything in the ring has been played */
    struct decoder d;       /* how far the source is */
    struct event ring[RING_EVENTS];
};

/* How a program came to its end. */
enum {
    RUNNING,
    FINISHED,  /* to its end */
    DAMAGED,   /* the schedule is not whole: nothing was moved */
    STOP_CONTACT, /* the stop contact is open */
    LATE,      /* an interval was shorter than its interrupt */
    STARVED,   /* the source did not keep up */
    TIMED_OUT, /* an input did not come in time */
    LINE_DEAD, /* the serial line fell silent: the axes were slowed down */
    STOPPED,   /* whoever feeds the line asked for it: the axes were slowed down */
    NOT_STARTED, /* the processor was reset; the positions of the axes are unknown */
    NOT_FOUND, /* a seek has come to the end of its way, and its input was not seen */
    OVERRUN,   /* functions of user.c took longer than they may */
    NO_PROGRAM /* the inputs select a program that there is not: nothing was moved */
};

#define INPUT_OF(awaited) ((awaited) & 63u)
enum { UNTIL_ACTIVE, UNTIL_RELEASED, UNTIL_PRESSED };
#define UNTIL_OF(awaited) ((awaited) >> 6)

/* No input is waited for. */
#define NO_INPUT 255u

extern struct stream player_streams[STREAMS];
extern volatile uint8_t player_state;
extern uint8_t player_ending; /* the state at the end of all streams: FINISHED, or the reason of an early end */
extern volatile uint8_t player_mark; /* number of the last text, from 1; 0: none yet */

/* The awaited input, with UNTIL_... in its two highest bits. All streams have ended then. The
 * timeout is
 * player_timeout + player_timeout_turns * TIMEOUT_TURN ticks; one of 0 never passes. */
#define TIMEOUT_TURN 0x10000000ul
extern uint8_t player_input;
extern uint32_t player_timeout, player_timeout_turns;

/* Waits for player_input; returns early where the state changes: the player is stopped, or the
 * timeout passes. */
void player_wait(void);

#ifdef PROGRAMS
/* The program that is played, from 0, as the inputs have selected it. */
extern uint8_t player_program;
#endif

/* Plays the whole schedule; returns how it ended. */
uint8_t player_run(void);

#ifdef START_INPUT
/* Gets ready for another player_run(), from where the axes stand, which is zero then. */
void player_restart(void);
#endif

/* Handles an event of a channel that is due at the count `at`. Called with interrupts off,
 * except for the channel of outputs and texts. */
void player_event(uint8_t channel, uint16_t at);

/* Ends every pulse and records the reason. Leaves interrupts off. */
void player_stop(uint8_t state);

#ifdef ENABLE_TICKS
/* Enables the drives of all axes that have a line for that, or disables them. */
void player_enable(uint8_t on);
#endif

/* Lets so many ticks pass; returns early at a stop. */
void player_pause(uint32_t ticks);

/* Ends the program, unless it has ended: an open stop contact is never overwritten. */
void player_end(uint8_t state);

/* Steps that an axis has made since the start, forwards less backwards, or its position where
 * the program has given it one. */
int32_t player_position(uint8_t axis);

/* For sources. */

/* Events that fit into the ring of a stream. */
static inline uint8_t ring_room(const struct stream *stream)
{
    return (uint8_t)(stream->tail - stream->head - sizeof(struct event)) / sizeof(struct event);
}

/* The event at a place of the ring. */
static inline struct event *ring_at(struct stream *stream, uint8_t place)
{
    return (struct event *)((uint8_t *)stream->ring + place);
}

/* Feeds the watchdog where both are alive: the decoder, which calls this between two turns, and
 * the interrupts, which take events out of the rings. */
void player_feed(void);

/* Puts one event into a ring that has room for it. */
void ring_push(struct stream *stream, uint16_t ticks, uint8_t what, uint8_t value);

#endif
