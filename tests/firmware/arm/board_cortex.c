/* A board with a 32-bit Cortex-M3 and two plain down-counting timers, as a user would write it
 * from board.h alone. It runs on the machine `mps2-an385` of qemu-system-arm, whose timers,
 * interrupts and memories stand in Arm's documents DDI 0479 (CMSDK timers) and DAI 0385.
 *
 * No timer raises step lines here, so that the interrupt does. What the lines do is written
 * down and told at the end over semihosting, one event a line: the count of the timer, how
 * many turns it has made, the line (32 + axis for a step) and its level. The input 0 closes
 * CLOSES_AFTER ticks after the start; the stop contact opens at step OPENS_AT_STEP.
 */
#include "event.h"

#include "board.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))

/* The timer of each channel, and the free-running one. */
#define TIMER(channel) (0x40000000u + 0x1000u * (channel))
#define CONTROL(channel) REGISTER(TIMER(channel))
#define VALUE(channel) REGISTER(TIMER(channel) + 4u)
#define RELOAD(channel) REGISTER(TIMER(channel) + 8u)
#define CLEAR_INTERRUPT(channel) REGISTER(TIMER(channel) + 12u)
#define FREE_VALUE REGISTER(0x40002004u)
#define FREE_CONTROL REGISTER(0x40002008u)
#define FREE_LOAD REGISTER(0x40002000u)
#define SET_ENABLE REGISTER(0xE000E100u)
#define SET_PENDING REGISTER(0xE000E200u)
#define FIRST_TIMER_INTERRUPT 8u
#define CONTACT_INTERRUPT 0u

/* Cycles of the clock a tick: 1 or 16. */
#ifndef DIVIDER
#define DIVIDER 16u
#endif
#ifndef CLOSES_AFTER
#define CLOSES_AFTER 0u
#endif
#ifndef OPENS_AT_STEP
#define OPENS_AT_STEP 0u
#endif

#define LINE_STEP 32u
#define MOST_EVENTS 20000u

static struct seen {
    uint32_t tick;
    uint8_t line, level;
} seen[MOST_EVENTS];
static uint32_t seen_count, steps;
static const volatile uint32_t closes_after = CLOSES_AFTER;
static volatile uint8_t contact_is_open;
static uint16_t due[STREAMS], rose[STREAMS];
static uint8_t modes[STREAMS];

/* Counts 25 MHz / DIVIDER. */
static uint32_t ticks(void)
{
    return ~FREE_VALUE;
}

static void note(uint8_t line, uint8_t level)
{
    if (seen_count == MOST_EVENTS)
        return;
    seen[seen_count].tick = ticks();
    seen[seen_count].line = line;
    seen[seen_count].level = level;
    seen_count++;
}

uint16_t board_now(void)
{
    return (uint16_t)ticks();
}

uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode)
{
    uint16_t passed;

    if (channel == ALL_CHANNELS) {
        for (channel = 0; channel < STREAMS; channel++) {
            CONTROL(channel) = 0;
            modes[channel] = ARM_NOT;
        }
        return 1;
    }
    if (mode & ARM_AFTER_STEP) {
        /* The interrupt may have come late, and the line risen then. */
        while ((uint16_t)(board_now() - rose[channel]) <= STEP_PULSE_TICKS) {
        }
        note((uint8_t)(LINE_STEP + channel), 0);
    }
    CONTROL(channel) = 0;
    CLEAR_INTERRUPT(channel) = 1;
    modes[channel] = mode;
    if (!(mode & ARM_EVENT))
        return 1;
    due[channel] = (uint16_t)(from + ticks);
    passed = (uint16_t)(board_now() - from);
    if (passed >= ticks)
        return 0;
    VALUE(channel) = RELOAD(channel) = DIVIDER * (uint32_t)(ticks - passed);
    CONTROL(channel) = 9; /* counts, and interrupts at zero */
    return 1;
}

void board_write(uint8_t line, uint8_t level)
{
    note(line, level);
}

uint8_t board_read(uint8_t input)
{
    if (input == INPUT_STOP_CONTACT)
        return contact_is_open;
    if (input >= INPUT_DUE)
        return 0;
    return ticks() >= closes_after;
}

void board_interrupts(uint8_t on)
{
    if (on)
        __asm__ __volatile__("cpsie i" : : : "memory");
    else
        __asm__ __volatile__("cpsid i" : : : "memory");
}

static void channel_interrupt(uint8_t channel)
{
    CONTROL(channel) = 0;
    CLEAR_INTERRUPT(channel) = 1;
    if (!(modes[channel] & ARM_EVENT))
        return;
    /* The down-counter may be ahead by a part of a tick. */
    while ((int16_t)(board_now() - due[channel]) < 0) {
    }
    if (modes[channel] & ARM_STEP) {
        rose[channel] = board_now();
        note((uint8_t)(LINE_STEP + channel), 1);
        if (++steps == OPENS_AT_STEP) {
            contact_is_open = 1;
            SET_PENDING = 1u << CONTACT_INTERRUPT;
        }
    }
    if (channel == AXES)
        player_event(channel, due[channel]);
    else
        event_due(channel, due[channel]);
}

static void timer_0(void)
{
    channel_interrupt(0);
}

static void timer_1(void)
{
    channel_interrupt(1);
}

static void contact(void)
{
    contact_open();
}

/* Semihosting: the simulator takes the character, or ends. */
static void ask_host(uint32_t operation, uint32_t parameter)
{
    register uint32_t r0 __asm__("r0") = operation;
    register uint32_t r1 __asm__("r1") = parameter;

    __asm__ __volatile__("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

static void say(char letter)
{
    static volatile char said;

    said = letter;
    ask_host(3, (uint32_t)&said);
}

static void say_number(uint32_t number)
{
    if (number > 9u)
        say_number(number / 10u);
    say((char)('0' + number % 10u));
}

static void say_numbers(uint32_t one, uint32_t other, uint32_t last)
{
    say_number(one);
    say(' ');
    say_number(other);
    say(' ');
    say_number(last);
    say('\n');
}

int main(void)
{
    uint32_t k;
    uint8_t state;

    FREE_LOAD = 0xFFFFFFFFu;
    FREE_CONTROL = DIVIDER == 16u ? 0x86u : 0x82u; /* counts over and over, 32 bits */
    SET_ENABLE = 1u << CONTACT_INTERRUPT | 3u << FIRST_TIMER_INTERRUPT;
    board_interrupts(1);
    state = player_run();
    for (k = 0; k < seen_count; k++)
        say_numbers(seen[k].tick, seen[k].line, seen[k].level);
    say('=');
    say_numbers(state, (uint32_t)player_position(0), player_mark);
    ask_host(0x18, 0x20026); /* ends without an error */
    for (;;) {
    }
}

extern uint32_t data_begins, data_ends, data_kept, zero_begins, zero_ends, stack_top;

void reset(void)
{
    uint32_t *from = &data_kept, *to;

    for (to = &data_begins; to != &data_ends;)
        *to++ = *from++;
    for (to = &zero_begins; to != &zero_ends;)
        *to++ = 0;
    main();
}

static void halted(void)
{
    ask_host(0x18, 0x20023);
    for (;;) {
    }
}

__attribute__((section(".vectors"), used)) static void (*const vectors[16 + 10])(void) = {
    (void (*)(void))&stack_top, reset, halted, halted, halted, halted, halted,
    [16 + CONTACT_INTERRUPT] = contact,
    [16 + FIRST_TIMER_INTERRUPT] = timer_0,
    [17 + FIRST_TIMER_INTERRUPT] = timer_1,
};
