/* A board in a process: the player and its link, compiled for this machine, with a timer
 * that is counted here. What the compare interrupts of a real board do happens at
 * exactly its count; every other look at the timer takes as long as a turn of the main
 * loop takes on a small board.
 *
 *   board             in step with whoever holds the other ends of its pipes
 *   board --free      without STREAMED: plays a schedule in memory as fast as it can, and prints the
 *                     first and the last EVENTS_KEPT events, `TICK LINE LEVEL`, and at the end
 *                     how many there were, the state, and the position of each axis
 *   board --terminal  in real time, at a pseudo-terminal, whose name it prints; it also
 *                     prints a line for every STEPS_TOLD steps
 *
 * At a terminal the clock stands still while a host that has the line open says nothing for
 * longer than HOST_AWAY ms: such a host got no processor. So nothing that a busy machine
 * does makes a line fail.
 *
 * In step, over and over: it reads how long to run (4 bytes, ticks), inputs that are
 * active (1; the highest bit: the stop contact is open), how many bytes it may say (2)
 * and how many bytes come in (2), with the bytes; it writes how many bytes it says (2)
 * with the bytes, and how many events there were (2) with a record of 10 bytes each:
 * tick (8), line (1: 32 + axis for a step, else as in board.h), level (1; of a step: 1
 * or 255). Numbers stand lowest byte first. It ends when there is nothing more to read.
 */
#define _XOPEN_SOURCE 700
#include <errno.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#ifdef STREAMED
#include "link.h"
#endif

#include "event.h"
#ifdef COILS
#include "coils.h"
#endif

#define LINE_STEP 32u
#define INPUT_BIT_STOP_CONTACT 0x80u
/* A turn of the main loop, and an interrupt. */
#define TURN_TICKS (TICK_RATE / 25000u + 1u)
#define INTERRUPT_TICKS (TICK_RATE / 200000u + 1u)
#define MOST 65535u
/* Less than the densest data of a full queue last; a host that has nothing to say asks after 150 ms. */
#define HOST_AWAY 40u
#define STEPS_TOLD 400u
#define EVENTS_KEPT 400u

static uint64_t now, slice_end;
static uint8_t armed[STREAMS];
static uint64_t due[STREAMS];
static uint8_t interrupts_on, in_interrupt;
static uint8_t inputs;

static uint8_t in[MOST], out[MOST];
static uint32_t in_length, in_at, out_length, out_most;
static uint8_t events[MOST][10];
static uint32_t event_count;

static int terminal = -1;
/* Real time without the time that the clock stood still; and ms since a word came in. */
static uint64_t began;
static uint32_t quiet;

/* Of a run without anybody at its pipes. */
static struct kept_event {
    uint64_t tick;
    uint8_t line, level;
} first_events[EVENTS_KEPT], last_events[EVENTS_KEPT];
static uint64_t noted;
static int is_free;

static void keep(uint8_t line, uint8_t level)
{
    struct kept_event event = {now, line, level};

    if (noted < EVENTS_KEPT)
        first_events[noted] = event;
    last_events[noted++ % EVENTS_KEPT] = event;
}

static void note(uint8_t line, uint8_t level)
{
    uint8_t *event, k;

    if (is_free) {
        keep(line, level);
        return;
    }

    if (event_count == MOST) {
        fprintf(stderr, "too many events in one slice\n");
        exit(1);
    }
    event = events[event_count++];
    for (k = 0; k < 8u; k++)
        event[k] = (uint8_t)(now >> (8u * k));
    event[8] = line;
    event[9] = level;
}

static void tell_steps(void)
{
    static uint32_t steps;

    if (++steps % STEPS_TOLD == 0) {
        printf("%u steps\n", (unsigned)steps);
        fflush(stdout);
    }
}

static void read_all(void *to, size_t length)
{
    if (fread(to, 1, length, stdin) != length)
        exit(0);
}

static void write_count(uint32_t count)
{
    putchar((int)(count & 255u));
    putchar((int)(count >> 8));
}

static void in_step(void)
{
    uint8_t head[9];
    static int begun;

    if (begun) {
        write_count(out_length);
        fwrite(out, 1, out_length, stdout);
        write_count(event_count);
        fwrite(events, sizeof events[0], event_count, stdout);
        fflush(stdout);
    }
    begun = 1;
    read_all(head, sizeof head);
    slice_end = now + (head[0] | (uint64_t)head[1] << 8 | (uint64_t)head[2] << 16 | (uint64_t)head[3] << 24);
    inputs = head[4];
    out_most = head[5] | (uint32_t)head[6] << 8;
    /* What was not taken in time is lost, as in a receiver that overruns. */
    in_length = head[7] | (uint32_t)head[8] << 8;
    read_all(in, in_length);
    in_at = out_length = event_count = 0;
}

static uint64_t nanoseconds(void)
{
    struct timespec clock;

    clock_gettime(CLOCK_MONOTONIC, &clock);
    return (uint64_t)clock.tv_sec * 1000000000u + (uint64_t)clock.tv_nsec;
}

/* Takes in what came; waits for it where a host is away. */
static void hear(void)
{
    static const struct timespec pause = {0, 1000000};
    uint64_t since = nanoseconds();
    ssize_t got;

    for (;;) {
        got = read(terminal, in, 64);
        if (got > 0) {
            quiet = 0;
            in_length = (uint32_t)got;
            break;
        }
        in_length = 0;
        /* Nobody holds the other end: then nobody is waited for. */
        if ((got < 0 && errno == EIO) || quiet < HOST_AWAY) {
            quiet++;
            return;
        }
        nanosleep(&pause, NULL);
    }
    began += nanoseconds() - since;
}

static void in_real_time(void)
{
    static const struct timespec pause = {0, 1000000};

    if (out_length && write(terminal, out, out_length) != (ssize_t)out_length)
        exit(0);
    if (in_at == in_length) {
        hear();
        in_at = 0;
    }
    out_length = event_count = 0;
    out_most = 64;
    slice_end += TICK_RATE / 1000u;
    while ((nanoseconds() - began) / 1000u * (TICK_RATE / 1000u) / 1000u < slice_end)
        nanosleep(&pause, NULL);
}

/* Runs the interrupts that are due until then. */
static void run_until(uint64_t then)
{
    for (;;) {
        uint8_t k, next = STREAMS;

        if (inputs & INPUT_BIT_STOP_CONTACT && player_state == RUNNING)
            player_stop(STOP_CONTACT);
        for (k = 0; k < STREAMS; k++)
            if (armed[k] && due[k] <= then && (next == STREAMS || due[k] < due[next]))
                next = k;
        if (next == STREAMS)
            break;
        if (due[next] > now)
            now = due[next];
        in_interrupt = 1;
        if (armed[next] & ARM_STEP) {
            uint64_t kept = now;

            now = due[next];
            if (terminal >= 0)
                tell_steps();
            note((uint8_t)(LINE_STEP + next), ring_at(&player_streams[next], player_streams[next].tail)->what & 1u ? 255u : 1u);
            now = kept;
        }
        if (next == AXES)
            player_event(next, (uint16_t)due[next]);
        else
            event_due(next, (uint16_t)due[next]);
        now += INTERRUPT_TICKS;
        interrupts_on = 1;
        in_interrupt = 0;
    }
    if (then > now)
        now = then;
}

uint16_t board_now(void)
{
    if (in_interrupt) {
        now++;
    } else if (!interrupts_on) {
        now += TURN_TICKS;
    } else {
        while (now >= slice_end) {
            if (terminal < 0)
                in_step();
            else
                in_real_time();
        }
        run_until(now + TURN_TICKS);
    }
    return (uint16_t)now;
}

uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode)
{
    uint64_t at = now - (uint16_t)((uint16_t)now - from) + ticks;
    uint8_t k;

    if (channel == ALL_CHANNELS) {
        for (k = 0; k < STREAMS; k++)
            armed[k] = 0;
        return 1;
    }
    armed[channel] = mode & (ARM_STEP | ARM_EVENT);
    due[channel] = at;
    return !armed[channel] || at > now;
}

void board_interrupts(uint8_t on)
{
    interrupts_on = on;
}

void board_write(uint8_t line, uint8_t level)
{
    note(line, level);
}

uint8_t board_read(uint8_t input)
{
    if (input == INPUT_STOP_CONTACT)
        return (inputs & INPUT_BIT_STOP_CONTACT) != 0;
    if (input >= INPUT_DUE)
        return armed[input - INPUT_DUE] && due[input - INPUT_DUE] <= now;
    return inputs >> input & 1;
}

#ifdef COILS
/* Coils that nobody looks at. */
void coils_on(void)
{
}

void coils_off(void)
{
}

void coils_step(uint8_t axis, uint8_t back)
{
    (void)axis;
    (void)back;
}
#endif

#ifdef STREAMED
int16_t board_serial_get(void)
{
    return in_at < in_length ? in[in_at++] : -1;
}

uint8_t board_serial_put(uint8_t byte)
{
    if (out_length >= out_most)
        return 0;
    out[out_length++] = byte;
    return 1;
}
#endif

static void open_terminal(void)
{
    struct termios raw;

    terminal = posix_openpt(O_RDWR | O_NOCTTY);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal)) {
        perror("no pseudo-terminal");
        exit(1);
    }
    if (tcgetattr(terminal, &raw) == 0) {
        raw.c_iflag = raw.c_oflag = raw.c_lflag = 0;
        tcsetattr(terminal, TCSANOW, &raw);
    }
    fcntl(terminal, F_SETFL, O_NONBLOCK);
    printf("%s\n", ptsname(terminal));
    fflush(stdout);
    began = nanoseconds();
}

static void show(const struct kept_event *event)
{
    printf("%llu %u %u\n", (unsigned long long)event->tick, event->line, event->level);
}

/* Plays a schedule in memory from its start to its end. */
static int play_freely(void)
{
    uint64_t k, first;
    uint8_t state;

    is_free = 1;
    slice_end = UINT64_MAX;
    state = player_run();
    for (k = 0; k < noted && k < EVENTS_KEPT; k++)
        show(&first_events[k]);
    first = noted > EVENTS_KEPT ? noted - EVENTS_KEPT : 0;
    printf("=\n");
    for (k = first; k < noted; k++)
        show(&last_events[k % EVENTS_KEPT]);
    printf("= %llu %u", (unsigned long long)noted, state);
    for (k = 0; k < AXES; k++)
        printf(" %ld", (long)player_position((uint8_t)k));
    printf("\n");
    return 0;
}

int main(int count, char **arguments)
{
    if (count > 1 && strcmp(arguments[1], "--free") == 0) {
        interrupts_on = 1;
        return play_freely();
    }
    if (count > 1 && strcmp(arguments[1], "--terminal") == 0)
        open_terminal();
    interrupts_on = 1;
    for (;;)
        player_run();
}
