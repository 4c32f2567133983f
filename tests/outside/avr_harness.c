/* Runs an AVR program cycle by cycle on libsimavr and prints what its pins do.
 *
 *   avr_harness PROGRAM.elf MCU HERTZ CYCLES [STIMULUS]...
 *
 * Stimuli:
 *   pin=CYCLE:PORT:BIT:LEVEL      drives a pin from outside from that cycle on
 *   hold=PORT:BIT:LEVEL           drives a pin before the start
 *   wave=PORT:BIT:PERIOD:LOW      drives a pin low for LOW cycles of every PERIOD
 *   switch=PORT:BIT:STEP:DIRECTION:FIRST:LAST
 *                                 drives a pin low while an axis, whose step and direction
 *                                 pins are named as PORT and BIT in one (B1), stands between
 *                                 two positions in steps from its start
 *   flip=ADDRESS:MASK             changes a byte of the flash before the start
 *   spoil=CYCLE:ADDRESS:MASK      changes a byte of the flash at that cycle
 *   entry=CYCLES                  adds so many cycles to each entry of an interrupt,
 *                                 for which the simulator charges none
 *   block=CYCLE:CYCLES            lets the processor do nothing for so long, once
 *   hang=CYCLE                    from there on whatever is not an interrupt goes round in
 *                                 circles
 *   mask=CYCLE                    timer 1 has no interrupts any more from there on
 *   quiet                         prints no pins
 *   cause=BITS                    why the processor was reset before it starts, as MCUSR
 *                                 says; 1, power-on, without it
 *   reset=CYCLE:BITS              resets it at that cycle, for such a cause: RAM stays, and
 *                                 registers are as the data sheets say
 *   lines=COUNT                   ends behind so many lines of text, not behind the first
 *   step=BAUD                     runs in step with whoever holds the other ends of its
 *                                 pipes, as board_posix.c does, but for this: times are
 *                                 in cycles, lines are 8 * (port - 'A') + bit
 *   input=NUMBER:PORT:BIT:LEVEL   in step, drives a pin to this level while that bit of the
 *                                 inputs is set, and to the other one while it is not
 *
 * Lines printed: `pin CYCLE PORT BIT LEVEL`, `duty CYCLE PORT BIT HIGH OF` where a compare output in
 * fast PWM is high for other HIGH of OF counts from that cycle on, `text ...` from the serial port, and at the
 * end, for every compare output that was in use, `ahead PORT BIT LEAST` (the least time
 * between a change of its mode and the edge that this made, in cycles), for every interrupt that came, `interrupt NUMBER LONGEST` (the longest time with
 * interrupts off behind its entry, in cycles), `off LONGEST` (the same for what turned
 * them off on its own), `stack BYTES`, `counting 1` where timer 1 still runs, or 0, and
 * `end CYCLE`; `watchdog CYCLE` where that resets the processor. Ends a little after a line of text has come.
 *
 * simavr 1.6 knows no forced compare, does not let go of a pin when its compare output
 * is switched off, moves compare outputs in normal mode whenever a compare register is
 * written, and gives every timer a prescaler of its own that nothing resets. So compare
 * outputs are modelled here, as the data sheets of these parts describe them (sections
 * "Compare Match Output Unit" of each timer and "Timer/Counter 0 and 1 Prescalers", from
 * memory): all timers but timer 2 share a prescaler; it and that of timer 2 are reset by
 * PSRSYNC and PSRASY of GTCCR, and held while TSM stands beside them, but for timers that
 * count the clock itself; a compare output changes with the tick behind the match, as its
 * mode bits say, also where a compare is forced; its pin shows it while any mode is on. In fast
 * PWM the output is set at the bottom and cleared with the tick behind the match, and a compare
 * register takes what was written at the bottom (section "Fast PWM Mode").
 * Edges that timers make are printed with the cycle at which they come, while everything
 * else comes at the end of an instruction. Interrupts are simavr's own, but for compare C of
 * timer 1 of the atmega32u4, which it does not know.
 */
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    MCUSR = 0x54, GTCCR = 0x43, TSM = 0x80, SFIOR = 0x50, UBRRH = 0x40, TCNT1 = 0x84, MOST_VECTORS = 57, MOST_STIMULI = 64, MOST_CONTACTS = 4,
    TIMERS = 6, CHANNELS = 3, EXTERNAL_INTERRUPTS = 8, INPUTS = 8
};

/* Of the parts that this runs: their ports, the size of their vectors (bytes) and how many
 * there are, the name of the serial port that the player takes, and the pins of the compare
 * outputs by timer and channel. From the data sheets. */
static const struct part {
    const char *name, *ports;
    unsigned vector_bytes, vectors;
    char serial;
    const char *pins[TIMERS];
    const char *bus; /* pins of the serial bus: clock, data out, select */
    int third_compare; /* the vector of compare C of timer 1 where the simulator has none, or 0 */
    int is_older; /* registers and bits of timer 1 lie elsewhere, and nothing resets prescalers */
} parts[] = {
    {"atmega8", "BCD", 2, 19, '0', {"", "B1B2", "", "", "", ""}, "B5B3B2", 0, 1},
    {"atmega88", "BCD", 2, 26, '0', {"D6D5", "B1B2", "B3D3", "", "", ""}, "B5B3B2", 0, 0},
    {"atmega168", "BCD", 4, 26, '0', {"D6D5", "B1B2", "B3D3", "", "", ""}, "B5B3B2", 0, 0},
    {"atmega328p", "BCD", 4, 26, '0', {"D6D5", "B1B2", "B3D3", "", "", ""}, "B5B3B2", 0, 0},
    {"atmega32u4", "BCDEF", 4, 43, '1', {"B7D0", "B5B6B7", "", "C6", "", ""}, "B1B2B0", 19, 0},
    {"atmega644p", "ABCD", 4, 31, '0', {"B3B4", "D5D4", "D7D6", "", "", ""}, "B7B5B4", 0, 0},
    {"atmega1284p", "ABCD", 4, 35, '0', {"B3B4", "D5D4", "D7D6", "", "", ""}, "B7B5B4", 0, 0},
    {"atmega2560", "ABCDEFGHJKL", 4, 57, '0', {"B7G5", "B5B6B7", "B4H6", "E3E4E5", "H3H4H5", "L3L4L5"}, "B1B2B0", 0, 0},
};
static const struct part *part;

static avr_t *avr;
static const char *ports;
static uint8_t levels[256][8];
static char text[256];
static size_t text_length;
static int text_done, quiet, in_step, lines = 1;

struct pin {
    char port;
    uint8_t bit;
};

/* A compare output of a timer. */
struct output {
    struct pin pin;
    struct timer *timer;
    int channel;
    uint8_t level; /* what its pin shows while a mode is on */
    int is_used;   /* a mode has ever been on: the pin is no port's any more */
    uint32_t duty; /* counts of a period for which it is high, in fast PWM */
    uint64_t got_ready, ahead; /* when its mode was changed last; the least from there to an edge */
};

static struct timer {
    uint16_t modes, clock, forces, counter, compare, flags; /* addresses of its registers */
    int bits;
    uint8_t reset;   /* the bit of GTCCR that resets its prescaler */
    uint64_t base;   /* the cycle at which it had counted to `begun` ... */
    uint32_t begun;
    uint64_t bottom;  /* the cycle of a bottom, in fast PWM */
    uint32_t divider; /* ... since when it counts every so many cycles, or not (0) */
    uint8_t known;    /* the modes that were written last */
    struct output outputs[CHANNELS];
} timers[TIMERS] = {
    {.modes = 0x44, .clock = 0x45, .forces = 0x45, .counter = 0x46, .compare = 0x47, .flags = 0x35, .bits = 8, .reset = 1},
    {.modes = 0x80, .clock = 0x81, .forces = 0x82, .counter = 0x84, .compare = 0x88, .flags = 0x36, .bits = 16, .reset = 1},
    {.modes = 0xB0, .clock = 0xB1, .forces = 0xB1, .counter = 0xB2, .compare = 0xB3, .flags = 0x37, .bits = 8, .reset = 2},
    {.modes = 0x90, .clock = 0x91, .forces = 0x92, .counter = 0x94, .compare = 0x98, .flags = 0x38, .bits = 16, .reset = 1},
    {.modes = 0xA0, .clock = 0xA1, .forces = 0xA2, .counter = 0xA4, .compare = 0xA8, .flags = 0x39, .bits = 16, .reset = 1},
    {.modes = 0x120, .clock = 0x121, .forces = 0x122, .counter = 0x124, .compare = 0x128, .flags = 0x3A, .bits = 16, .reset = 1},
};
/* The cycles at which the prescalers of bit 0 and bit 1 of GTCCR were reset. */
static uint64_t prescaler_reset[2];
/* What GTCCR holds. */
static uint8_t prescalers_held;

/* A level that a pin is driven to, once or over and over. */
static struct stimulus {
    struct pin pin;
    uint8_t level;
    uint64_t high, low;
    uint64_t due; /* when it does so next, or 0 */
} stimuli[MOST_STIMULI];
static int stimulus_count;

/* What goes through the pipes of a run in step. */
enum { MOST = 65535 };
static uint8_t in[MOST], out[MOST], events[MOST][10];
static uint32_t in_length, in_at, out_length, event_count;
static uint64_t slice_end, next_byte;
/* The simulator takes 11 bits for a byte. */
static uint64_t byte_cycles;
/* The simulator itself speaks on standard output. */
static FILE *pipe_out;

static void note(const struct pin *pin, uint8_t level, uint64_t cycle)
{
    uint8_t k;

    if (event_count == MOST)
        exit(1);
    for (k = 0; k < 8; k++)
        events[event_count][k] = (uint8_t)(cycle >> (8 * k));
    events[event_count][8] = (uint8_t)(8 * (pin->port - 'A') + pin->bit);
    events[event_count++][9] = level;
}

static void write_count(uint32_t count)
{
    putc((int)(count & 255), pipe_out);
    putc((int)(count >> 8), pipe_out);
}

static void read_all(void *to, size_t length)
{
    if (fread(to, 1, length, stdin) != length)
        exit(0);
}

/* Ends a sleep, in which the simulator goes on to whatever its timers do next. */
static avr_cycle_count_t wake(struct avr_t *core, avr_cycle_count_t when, void *param)
{
    (void)core;
    (void)when;
    (void)param;
    return 0;
}

/* A sleep ends at that cycle. */
static void wake_at(uint64_t cycle, void *which)
{
    if (cycle > avr->cycle)
        avr_cycle_timer_register(avr, cycle - avr->cycle, wake, which);
}

/* The pins that the inputs of a slice drive, and to which level an active one. */
static struct input {
    struct pin pin;
    uint8_t active, is_wired;
} inputs[INPUTS];

static void drive(struct pin pin, uint32_t level);

static void drive_inputs(uint8_t active)
{
    static uint8_t before;
    uint8_t changed = before ^ active, k;

    for (k = 0; k < INPUTS; k++)
        if (inputs[k].is_wired && changed >> k & 1)
            drive(inputs[k].pin, active >> k & 1 ? inputs[k].active : !inputs[k].active);
    before = active;
}

static void next_slice(void)
{
    static int begun;
    uint8_t head[9];

    if (begun) {
        write_count(out_length);
        fwrite(out, 1, out_length, pipe_out);
        write_count(event_count);
        fwrite(events, sizeof events[0], event_count, pipe_out);
        fflush(pipe_out);
    }
    begun = 1;
    out_length = event_count = 0;
    read_all(head, sizeof head);
    slice_end = avr->cycle + (head[0] | (uint64_t)head[1] << 8 | (uint64_t)head[2] << 16 | (uint64_t)head[3] << 24);
    wake_at(slice_end, &slice_end);
    drive_inputs(head[4]);
    memmove(in, in + in_at, in_length - in_at);
    in_length -= in_at;
    in_at = 0;
    read_all(in + in_length, head[7] | (size_t)head[8] << 8);
    in_length += head[7] | (uint32_t)head[8] << 8;
}

/* Hands on the bytes that come in, as fast as the line is. */
static void feed(void)
{
    if (avr->cycle >= slice_end)
        next_slice();
    if (in_at < in_length && avr->cycle >= next_byte) {
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), in[in_at++]);
        next_byte = avr->cycle + byte_cycles;
    }
    if (in_at < in_length)
        wake_at(next_byte, &next_byte);
}

/* A contact that an axis closes. */
static struct contact {
    struct pin pin, step, direction;
    long first, last, position;
} contacts[MOST_CONTACTS];
static int contact_count;

static int is_same(const struct pin *one, const struct pin *other)
{
    return one->port == other->port && one->bit == other->bit;
}

static int is_closed(const struct contact *contact)
{
    return contact->first <= contact->position && contact->position <= contact->last;
}

/* Axes move at the rising edges of their step lines. */
static void step_contacts(const struct pin *pin)
{
    struct contact *contact;

    for (contact = contacts; contact != contacts + contact_count; contact++) {
        int before = is_closed(contact);

        if (!is_same(&contact->step, pin))
            continue;
        contact->position += levels[(uint8_t)contact->direction.port][contact->direction.bit] ? 1 : -1;
        if (is_closed(contact) != before)
            drive(contact->pin, before);
    }
}

static void level_is(const struct pin *pin, uint8_t level, uint64_t cycle)
{
    uint8_t *known = &levels[(uint8_t)pin->port][pin->bit];

    if (*known != level) {
        *known = level;
        if (level)
            step_contacts(pin);
        if (in_step)
            note(pin, level, cycle);
        else if (!quiet)
            printf("pin %llu %c %u %u\n", (unsigned long long)cycle, pin->port, pin->bit, level);
    }
}

/* The compare output at a pin, once it has been in use. */
static struct output *output_at(const struct pin *pin)
{
    int t, k;

    for (t = 0; t < TIMERS; t++) {
        for (k = 0; k < CHANNELS; k++) {
            struct output *output = &timers[t].outputs[k];

            if (output->is_used && output->pin.port == pin->port && output->pin.bit == pin->bit)
                return output;
        }
    }
    return NULL;
}

static uint8_t mode_of(const struct output *output)
{
    return avr->data[output->timer->modes] >> (6 - 2 * output->channel) & 3;
}

/* A pin shows its compare output while it is an output and a mode is on. Otherwise it shows
 * its port, be it as an output or by the pull-up. */
static uint8_t shown(const struct output *output)
{
    avr_ioport_state_t state;

    avr_ioctl(avr, AVR_IOCTL_IOPORT_GETSTATE(output->pin.port), &state);
    if (state.ddr >> output->pin.bit & 1 && mode_of(output))
        return output->level;
    return state.port >> output->pin.bit & 1;
}

static void pin_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    const struct pin *pin = param;
    const struct output *output = output_at(pin);

    (void)irq;
    level_is(pin, output ? shown(output) : value & 1, avr->cycle);
}

/* What a compare match at that cycle does, be it real or forced. */
static void match(struct output *output, uint64_t cycle)
{
    switch (mode_of(output)) {
    case 0:
        return;
    case 1:
        output->level = !output->level;
        break;
    case 2:
        output->level = 0;
        break;
    case 3:
        output->level = 1;
    }
    level_is(&output->pin, shown(output), cycle);
}

static int is_held(const struct timer *timer)
{
    return !part->is_older && avr->data[GTCCR] & TSM && avr->data[GTCCR] & timer->reset && timer->divider != 1;
}

/* Ticks of the timer's prescaler between its reset and the present cycle. */
static uint64_t prescaled(const struct timer *timer, uint64_t cycle)
{
    return (cycle - prescaler_reset[timer->reset - 1]) / timer->divider;
}

static uint32_t count_of(const struct timer *timer)
{
    uint64_t passed = 0;

    if (timer->divider && !is_held(timer))
        passed = prescaled(timer, avr->cycle) - prescaled(timer, timer->base);
    return (uint32_t)(timer->begun + passed) & ((1u << timer->bits) - 1);
}

/* Where the compare register of a channel is. */
static uint16_t compare_register(const struct timer *timer, int channel)
{
    return (uint16_t)(timer->compare + channel * (part->is_older ? -2 : timer->bits / 8));
}

static uint32_t compare_of(const struct output *output)
{
    const uint8_t *low = &avr->data[compare_register(output->timer, output->channel)];

    return output->timer->bits == 8 ? low[0] : low[0] | (uint32_t)low[1] << 8;
}

/* Compare C of timer 1: its enable bit in TIMSK1 and its flag in TIFR1. */
static avr_int_vector_t third_compare = {.enable = AVR_IO_REGBIT(0x6F, 3), .raised = AVR_IO_REGBIT(0x36, 3)};

static int is_third(const struct output *output)
{
    return part->third_compare && output == &timers[1].outputs[2];
}

/* Writing a one to the flag clears it. */
static void flags_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (value & 8)
        avr_clear_interrupt(avr, &third_compare);
}

static avr_cycle_count_t matches(struct avr_t *core, avr_cycle_count_t when, void *param)
{
    struct output *output = param;
    struct timer *timer = output->timer;
    uint8_t before = output->level;

    (void)core;
    match(output, when);
    if (output->level != before && when - output->got_ready < output->ahead)
        output->ahead = when - output->got_ready;
    /* simavr makes the flags of timer 1, and their interrupts. */
    if (is_third(output))
        avr_raise_interrupt(avr, &third_compare);
    else if (timer != &timers[1])
        avr->data[timer->flags] |= (uint8_t)(2 << output->channel);
    return when + ((uint64_t)timer->divider << timer->bits);
}

/* Counts of a period of a timer in fast PWM with non-inverting outputs, or 0 in other modes. */
static uint32_t pwm_counts(const struct timer *timer)
{
    const uint8_t *top = &avr->data[timer->modes + 6];
    uint8_t modes = avr->data[timer->modes] & 3, clock = avr->data[timer->clock];

    if (part->is_older)
        return 0;
    if (timer->bits == 8)
        return modes == 3 && !(clock & 8) ? 256 : 0;
    return modes == 2 && (clock & 0x18) == 0x18 ? (top[0] | (uint32_t)top[1] << 8) + 1 : 0;
}

static void duty_is(struct output *output, uint32_t duty, uint64_t cycle)
{
    if (output->duty == duty)
        return;
    output->duty = duty;
    /* In step its line is on while there is any duty. */
    if (in_step)
        note(&output->pin, duty != 0, cycle);
    else if (!quiet)
        printf("duty %llu %c %u %u %u\n", (unsigned long long)cycle, output->pin.port, output->pin.bit, duty,
               pwm_counts(output->timer));
}

/* At the bottom compare registers take what was written. */
static avr_cycle_count_t takes_duty(struct avr_t *core, avr_cycle_count_t when, void *param)
{
    struct output *output = param;

    (void)core;
    if (pwm_counts(output->timer) && mode_of(output) == 2)
        duty_is(output, compare_of(output) + 1, when);
    return 0;
}

/* A PWM whose modes or compare registers have been written. */
static void modulate(struct timer *timer)
{
    uint64_t period = (uint64_t)pwm_counts(timer) * timer->divider, left;
    int k;

    if (!period)
        return;
    left = period - (avr->cycle - timer->bottom) % period;
    for (k = 0; k < CHANNELS; k++) {
        struct output *output = &timer->outputs[k];

        if (!output->pin.port)
            continue;
        avr_cycle_timer_cancel(avr, takes_duty, output);
        if (mode_of(output) == 2)
            avr_cycle_timer_register(avr, left, takes_duty, output);
        else
            duty_is(output, 0, avr->cycle);
    }
}

/* Works out when each compare output of a timer matches next. */
static void look_ahead(struct timer *timer)
{
    int k;

    if (pwm_counts(timer)) {
        modulate(timer);
        return;
    }

    for (k = 0; k < CHANNELS; k++) {
        struct output *output = &timer->outputs[k];
        uint32_t ticks;
        uint64_t tick;

        if (!output->pin.port)
            continue;
        avr_cycle_timer_cancel(avr, matches, output);
        if ((!mode_of(output) && !is_third(output)) || !timer->divider || is_held(timer))
            continue;
        ticks = ((compare_of(output) - count_of(timer)) & ((1u << timer->bits) - 1)) + 1;
        tick = (prescaled(timer, avr->cycle) + ticks) * timer->divider + prescaler_reset[timer->reset - 1];
        avr_cycle_timer_register(avr, tick - avr->cycle, matches, output);
    }
}

/* From here on the timer counts on from there. */
static void count_from(struct timer *timer, uint32_t count)
{
    timer->begun = count;
    timer->base = avr->cycle;
}

/* Registers that are written; what they hold is there already. */

static void force_compare(struct timer *timer, uint8_t value)
{
    int k;

    for (k = 0; k < CHANNELS; k++)
        if (value & 0x80 >> k && timer->outputs[k].pin.port)
            match(&timer->outputs[k], avr->cycle);
}

static void modes_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct timer *timer = param;
    uint8_t changed = (uint8_t)(value ^ timer->known);
    int k;

    (void)irq;
    timer->known = (uint8_t)value;
    for (k = 0; k < CHANNELS; k++) {
        struct output *output = &timer->outputs[k];

        if (!output->pin.port)
            continue;
        output->is_used |= mode_of(output) != 0;
        if (changed >> (6 - 2 * k) & 3)
            output->got_ready = avr->cycle;
        if (output->is_used)
            level_is(&output->pin, shown(output), avr->cycle);
    }
    if (part->is_older) {
        /* The forced compares are in this register too, and always read as zero. */
        force_compare(timer, (uint8_t)(value << 4));
        avr->data[timer->modes] = (uint8_t)(value & 0xF3);
    }
    look_ahead(timer);
}

static void forces_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct timer *timer = param;

    (void)irq;
    force_compare(timer, (uint8_t)value);
    avr->data[timer->forces] = value & 0x3F; /* these bits always read as zero */
}

static void clock_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    static const uint32_t usual[8] = {0, 1, 8, 64, 256, 1024, 0, 0};
    static const uint32_t second[8] = {0, 1, 8, 32, 64, 128, 256, 1024};
    struct timer *timer = param;
    uint32_t count = count_of(timer);

    (void)irq;
    timer->divider = (timer == &timers[2] ? second : usual)[value & 7];
    timer->bottom = avr->cycle - (uint64_t)count * timer->divider;
    count_from(timer, count);
    look_ahead(timer);
}

static void counter_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    struct timer *timer = param;

    (void)irq;
    count_from(timer, timer->bits == 8 ? value : value | (uint32_t)avr->data[timer->counter + 1] << 8);
    look_ahead(timer);
}

static void compare_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    look_ahead(param);
}

/* Resets prescalers, and holds or lets go of what they count for. simavr knows nothing of
 * that; its timer 1 starts to count anew where it is let go. */
static void prescalers_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    uint8_t before = prescalers_held, reset = (uint8_t)(value | (before & TSM ? before : 0)) & 3;
    uint32_t counts[TIMERS];
    int t;

    (void)irq;
    (void)param;
    avr->data[GTCCR] = before;
    for (t = 0; t < TIMERS; t++)
        counts[t] = count_of(&timers[t]);
    for (t = 0; t < 2; t++)
        if (reset >> t & 1)
            prescaler_reset[t] = avr->cycle;
    /* The bits stay only while TSM does. */
    prescalers_held = (uint8_t)(value & TSM ? value : 0);
    avr->data[GTCCR] = prescalers_held;
    for (t = 0; t < TIMERS; t++) {
        if (!(reset & timers[t].reset) || timers[t].divider == 1)
            continue;
        count_from(&timers[t], counts[t]);
        look_ahead(&timers[t]);
        if (t == 1 && !(value & TSM) && timers[1].divider) {
            avr->data[TCNT1 + 1] = (uint8_t)(counts[1] >> 8);
            avr->io[AVR_DATA_TO_IO(TCNT1)].w.c(avr, TCNT1, (uint8_t)counts[1],
                                               avr->io[AVR_DATA_TO_IO(TCNT1)].w.param);
        }
    }
}

static void older_prescaler_written(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (value & 1)
        prescaler_reset[0] = avr->cycle;
    avr->data[SFIOR] = (uint8_t)(value & 0xFC);
}

/* The serial bus as master (data sheets, section "SPI"): a byte takes eight periods of its
 * clock; data change at one edge of it and stand at the other, by the mode. The simulator
 * knows no pins of it and another speed. */
static struct {
    uint16_t control, status; /* addresses; that of the data follows */
    uint8_t byte;
    int half, half_period; /* of 16 halves of a period, those that are over; cycles of one */
} bus = {.control = 0x4C, .status = 0x4D, .half = 16};

static void bus_pin(int which, uint8_t level, uint64_t cycle)
{
    struct pin pin = {part->bus[2 * which], (uint8_t)(part->bus[2 * which + 1] - '0')};

    level_is(&pin, level, cycle);
}

static avr_cycle_count_t bus_edge(struct avr_t *core, avr_cycle_count_t when, void *param)
{
    uint8_t control = avr->data[bus.control], idle = control >> 3 & 1, late = control >> 2 & 1;

    (void)core;
    (void)param;
    /* Even halves end with the leading edge. */
    bus_pin(0, (uint8_t)(bus.half % 2 ? idle : !idle), when);
    if (late ? bus.half % 2 == 0 : bus.half % 2)
        bus_pin(1, bus.byte >> (7 - (bus.half + 1 - late) / 2 % 8) & 1, when);
    if (++bus.half < 16)
        return when + (avr_cycle_count_t)bus.half_period;
    avr->data[bus.status] |= 0x80;
    return 0;
}

static void bus_control_written(struct avr_t *core, avr_io_addr_t address, uint8_t value, void *param)
{
    avr_ioport_state_t state;

    (void)param;
    core->data[address] = value;
    avr_ioctl(core, AVR_IOCTL_IOPORT_GETSTATE(part->bus[4]), &state);
    if (!(state.ddr >> (part->bus[5] - '0') & 1))
        printf("bus no master\n");
    if (value & 0x40)
        bus_pin(0, value >> 3 & 1, core->cycle);
}

static void bus_data_written(struct avr_t *core, avr_io_addr_t address, uint8_t value, void *param)
{
    static const int dividers[4] = {4, 16, 64, 128};
    uint8_t control = core->data[bus.control];

    (void)param;
    if (bus.half < 16) {
        printf("bus collision\n");
        return;
    }
    core->data[address] = value;
    core->data[bus.status] &= 0x7F;
    if (!(control & 0x40))
        return;
    bus.byte = value;
    bus.half = 0;
    bus.half_period = dividers[control & 3] / (core->data[bus.status] & 1 ? 4 : 2);
    if (!(control & 4))
        bus_pin(1, value >> 7, core->cycle);
    avr_cycle_timer_register(core, (avr_cycle_count_t)bus.half_period, bus_edge, NULL);
}

static void take_over(uint16_t address, avr_io_write_t write)
{
    avr->io[AVR_DATA_TO_IO(address)].w.c = write;
    avr->io[AVR_DATA_TO_IO(address)].w.param = NULL;
}

/* By port: the pins that are driven from outside, and to which levels. */
static uint8_t held[256], held_levels[256];

/* From outside, so that the pull-up does not win. */
static void hold(struct pin pin, uint32_t level)
{
    uint8_t *mask = &held[(uint8_t)pin.port], *value = &held_levels[(uint8_t)pin.port];
    avr_ioport_external_t external;

    *mask |= (uint8_t)(1 << pin.bit);
    *value = (uint8_t)((*value & ~(1 << pin.bit)) | level << pin.bit);
    external.name = (unsigned long)pin.port;
    external.mask = *mask;
    external.value = *value;
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(pin.port), &external);
}

static void drive(struct pin pin, uint32_t level)
{
    hold(pin, level);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pin.port), pin.bit), level);
}

static void said(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (in_step) {
        out[out_length++] = (uint8_t)value;
    } else if (value == '\n') {
        printf("text %.*s\n", (int)text_length, text);
        text_length = 0;
        text_done = --lines <= 0;
    } else if (value != '\r' && text_length < sizeof text) {
        text[text_length++] = (char)value;
    }
}

/* Instead of the simulator's own, which sleeps in real time. */
static void no_sleep(struct avr_t *core, avr_cycle_count_t cycles)
{
    (void)core;
    (void)cycles;
}

static void on_write(uint16_t address, avr_irq_notify_t call, void *param)
{
    avr_irq_register_notify(avr_iomem_getirq(avr, address, NULL, AVR_IOMEM_IRQ_ALL), call, param);
}

/* The older part has its character size at the address of the divider's high byte, which the
 * simulator takes for that. */
static void mend_divider(void)
{
    if (part->is_older)
        avr->data[UBRRH] = 0;
}

static void set_up(void)
{
    uint32_t flags = 0;
    int k, bit, t;

    avr->sleep = no_sleep;
    mend_divider();
    /* Whatever an external interrupt is set to, the simulator looks every other cycle whether its
     * pin is still low; nothing here interrupts at a level. */
    for (k = 0; k < EXTERNAL_INTERRUPTS; k++)
        avr_extint_set_strict_lvl_trig(avr, (uint8_t)k, 0);
    ports = part->ports;
    for (k = 0; ports[k]; k++) {
        for (bit = 0; bit < 8; bit++) {
            struct pin *pin = malloc(sizeof *pin);
            avr_irq_t *irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(ports[k]), bit);

            if (!pin || !irq)
                continue;
            pin->port = ports[k];
            pin->bit = (uint8_t)bit;
            avr_irq_register_notify(irq, pin_changed, pin);
        }
    }
    if (part->is_older) {
        timers[1].modes = 0x4F;
        timers[1].clock = 0x4E;
        timers[1].forces = 0;
        timers[1].counter = 0x4C;
        timers[1].compare = 0x4A;
        bus.control = 0x2D;
        bus.status = 0x2E;
        on_write(SFIOR, older_prescaler_written, NULL);
    } else {
        on_write(GTCCR, prescalers_written, NULL);
    }
    if (part->third_compare) {
        third_compare.vector = (uint8_t)part->third_compare;
        avr_register_vector(avr, &third_compare);
        on_write(0x36, flags_written, NULL);
    }
    take_over(bus.control, bus_control_written);
    take_over((uint16_t)(bus.status + 1), bus_data_written);
    for (t = 0; t < TIMERS; t++) {
        const char *pins = part->pins[t];
        struct timer *timer = &timers[t];

        if (!*pins)
            continue;
        for (k = 0; *pins; k++, pins += 2) {
            struct output *output = &timer->outputs[k];

            output->pin.port = pins[0];
            output->pin.bit = (uint8_t)(pins[1] - '0');
            output->timer = timer;
            output->channel = k;
            output->ahead = UINT64_MAX;
            /* The simulator's own timers would write to the port. */
            avr_unconnect_irq(avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('0' + t), TIMER_IRQ_OUT_COMP + k),
                              avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pins[0]), pins[1] - '0'));
            on_write(compare_register(timer, k), compare_written, timer);
        }
        on_write(timer->modes, modes_written, timer);
        on_write(timer->clock, clock_written, timer);
        if (timer->forces)
            on_write(timer->forces, forces_written, timer);
        /* Reading it comes here too, and where nothing resets the prescaler the simulator's own
         * count is off by a part of a tick. */
        if (!part->is_older)
            on_write(timer->counter, counter_written, timer);
    }
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS(part->serial), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(part->serial), UART_IRQ_OUTPUT), said, NULL);
}

/* Drives a pin at its time, which wakes the processor where it sleeps; returns when the
 * pin is driven next, or 0. */
static avr_cycle_count_t stimulate(struct avr_t *core, avr_cycle_count_t when, void *param)
{
    struct stimulus *stimulus = param;
    avr_cycle_count_t next = 0;

    (void)core;
    drive(stimulus->pin, stimulus->level);
    if (stimulus->low) {
        next = when + (stimulus->level ? stimulus->high : stimulus->low);
        stimulus->level = !stimulus->level;
    }
    stimulus->due = next;
    return next;
}

static void stimulate_at(struct stimulus *stimulus, uint64_t cycle)
{
    stimulus->due = cycle;
    avr_cycle_timer_register(avr, cycle > avr->cycle ? cycle - avr->cycle : 1, stimulate, stimulus);
}

/* What a reset does besides what the simulator's own has done: its timers are ours too, and its
 * ports keep what their pins showed. */
static void is_reset(void)
{
    avr_io_t *io;
    int t, k;

    for (io = avr->io_port; io; io = io->next) {
        avr_ioport_t *port = (avr_ioport_t *)io;
        struct pin pin;

        if (strcmp(io->kind, "port"))
            continue;
        pin.port = port->name;
        avr->data[port->r_pin] = held[(uint8_t)pin.port] & held_levels[(uint8_t)pin.port];
        for (pin.bit = 0; pin.bit < 8; pin.bit++) {
            if (held[(uint8_t)pin.port] >> pin.bit & 1)
                continue;
            level_is(&pin, 0, avr->cycle);
            avr_raise_irq(io->irq + pin.bit, 0);
        }
    }
    for (t = 0; t < TIMERS; t++) {
        timers[t].divider = 0;
        timers[t].known = 0;
        count_from(&timers[t], 0);
        for (k = 0; k < CHANNELS; k++) {
            timers[t].outputs[k].level = 0;
            timers[t].outputs[k].is_used = 0;
            duty_is(&timers[t].outputs[k], 0, avr->cycle);
        }
    }
    prescalers_held = 0;
    bus.half = 16;
    mend_divider();
    for (k = 0; k < stimulus_count; k++)
        if (stimuli[k].due)
            stimulate_at(&stimuli[k], stimuli[k].due);
}

static void reset(uint8_t cause)
{
    uint64_t now = avr->cycle;

    avr_reset(avr);
    avr->cycle = now;
    avr->data[MCUSR] = cause;
    is_reset();
}

int main(int count, char **arguments)
{
    elf_firmware_t firmware;
    uint64_t limit, end = UINT64_MAX, off_since = 0, longest[MOST_VECTORS] = {0};
    unsigned long long spoil_at = UINT64_MAX, spoil = 0, block_at = UINT64_MAX, block = 0, hang = UINT64_MAX, mask_at = UINT64_MAX, reset_at = UINT64_MAX;
    uint32_t vector_table;
    unsigned entry = 0, stack = 0, cause = 1, spoil_mask = 0, reset_cause = 0;
    int k, off = 1, vector = 0, state = cpu_Running, by_watchdog;

    if (count < 5)
        return 2;
    for (k = 5; k < count; k++) {
        if (!strncmp(arguments[k], "step=", 5)) {
            pipe_out = fdopen(dup(1), "wb");
            if (!pipe_out || dup2(2, 1) < 0)
                return 2;
        }
    }
    memset(&firmware, 0, sizeof firmware);
    if (elf_read_firmware(arguments[1], &firmware))
        return 2;
    avr = avr_make_mcu_by_name(arguments[2]);
    if (!avr)
        return 2;
    avr_init(avr);
    avr_load_firmware(avr, &firmware);
    avr->frequency = (uint32_t)strtoul(arguments[3], NULL, 10);
    limit = strtoull(arguments[4], NULL, 10);
    for (part = parts; strcmp(part->name, arguments[2]);)
        if (++part == parts + sizeof parts / sizeof *parts)
            return 2;
    set_up();
    vector_table = part->vectors * part->vector_bytes;
    for (k = 5; k < count; k++) {
        const char *argument = arguments[k];
        struct stimulus *stimulus = &stimuli[stimulus_count];
        unsigned long long at, low;
        unsigned bit, level, mask;

        if (stimulus_count == MOST_STIMULI)
            return 2;
        if (sscanf(argument, "pin=%llu:%c:%u:%u", &at, &stimulus->pin.port, &bit, &level) == 4) {
            stimulus->pin.bit = (uint8_t)bit;
            stimulus->level = (uint8_t)level;
            stimulus_count++;
            stimulate_at(stimulus, at);
        } else if (sscanf(argument, "hold=%c:%u:%u", &stimulus->pin.port, &bit, &level) == 3) {
            stimulus->pin.bit = (uint8_t)bit;
            hold(stimulus->pin, level);
        } else if (sscanf(argument, "input=%llu:%c:%u:%u", &at, &stimulus->pin.port, &bit, &level) == 4) {
            if (at >= INPUTS)
                return 2;
            stimulus->pin.bit = (uint8_t)bit;
            inputs[at].pin = stimulus->pin;
            inputs[at].active = (uint8_t)level;
            inputs[at].is_wired = 1;
            hold(stimulus->pin, !level);
        } else if (sscanf(argument, "wave=%c:%u:%llu:%llu", &stimulus->pin.port, &bit, &at, &low) == 4) {
            stimulus->pin.bit = (uint8_t)bit;
            stimulus->level = 1;
            stimulus->high = at - low;
            stimulus->low = low;
            stimulus_count++;
            stimulate_at(stimulus, 1);
        } else if (contact_count < MOST_CONTACTS && !strncmp(argument, "switch=", 7)) {
            struct contact *contact = &contacts[contact_count++];
            unsigned bits[3];

            if (sscanf(argument, "switch=%c:%u:%c%u:%c%u:%ld:%ld", &contact->pin.port, &bits[0], &contact->step.port,
                       &bits[1], &contact->direction.port, &bits[2], &contact->first, &contact->last) != 8)
                return 2;
            contact->pin.bit = (uint8_t)bits[0];
            contact->step.bit = (uint8_t)bits[1];
            contact->direction.bit = (uint8_t)bits[2];
            hold(contact->pin, !is_closed(contact));
        } else if (sscanf(argument, "flip=%llu:%u", &at, &mask) == 2) {
            avr->flash[at] ^= (uint8_t)mask;
        } else if (sscanf(argument, "spoil=%llu:%llu:%u", &spoil_at, &spoil, &spoil_mask) == 3) {
        } else if (sscanf(argument, "entry=%u", &entry) == 1) {
        } else if (sscanf(argument, "cause=%u", &cause) == 1) {
        } else if (sscanf(argument, "reset=%llu:%u", &reset_at, &reset_cause) == 2) {
        } else if (sscanf(argument, "lines=%d", &lines) == 1) {
        } else if (sscanf(argument, "block=%llu:%llu", &block_at, &block) == 2) {
        } else if (sscanf(argument, "hang=%llu", &hang) == 1) {
        } else if (sscanf(argument, "mask=%llu", &mask_at) == 1) {
        } else if (sscanf(argument, "step=%llu", &at) == 1) {
            in_step = 1;
            byte_cycles = 11 * avr->frequency / at;
        } else if (!strcmp(argument, "quiet")) {
            quiet = 1;
        } else {
            return 2;
        }
    }
    avr->data[MCUSR] = (uint8_t)cause;
    by_watchdog = cause & 8;
    wake_at(reset_at, &reset_at);
    wake_at(limit, &limit);
    wake_at(spoil_at, &spoil_at);
    wake_at(block_at, &block_at);
    wake_at(hang, &hang);
    wake_at(mask_at, &mask_at);
    while (avr->cycle < limit && avr->cycle < end) {
        if (in_step)
            feed();
        state = avr_run(avr);
        if (avr->cycle >= block_at) {
            avr->cycle += block;
            block_at = UINT64_MAX;
        }
        if (avr->cycle >= hang && avr->sreg[S_I]) {
            /* The last word of the flash jumps to itself. */
            avr->flash[avr->flashend - 1] = 0xFF;
            avr->flash[avr->flashend] = 0xCF;
            avr->pc = avr->flashend - 1;
            avr->state = cpu_Running;
            hang = UINT64_MAX;
        }
        if (avr->cycle >= spoil_at) {
            avr->flash[spoil] ^= (uint8_t)spoil_mask;
            spoil_at = UINT64_MAX;
        }
        if (avr->cycle >= mask_at) {
            avr->data[0x6F] = 0;
            mask_at = UINT64_MAX;
        }
        /* The simulator has done its own reset then. */
        if (avr->data[MCUSR] & 8 && !by_watchdog) {
            printf("watchdog %llu\n", (unsigned long long)avr->cycle);
            is_reset();
        }
        by_watchdog = avr->data[MCUSR] & 8;
        if (avr->cycle >= reset_at) {
            reset((uint8_t)reset_cause);
            by_watchdog = reset_cause & 8;
            reset_at = UINT64_MAX;
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            printf("crashed\n");
            break;
        }
        if (!avr->sreg[S_I]) {
            if (!off) {
                unsigned used = avr->ramend - (avr->data[R_SPL] | avr->data[R_SPH] << 8);

                off = 1;
                /* 0, the reset vector, stands for no interrupt. */
                vector = avr->pc < vector_table ? (int)(avr->pc / part->vector_bytes) : 0;
                if (vector)
                    avr->cycle += entry;
                off_since = avr->cycle;
                if (used > stack)
                    stack = used;
            }
        } else if (off) {
            off = 0;
            if (off_since && avr->cycle - off_since > longest[vector])
                longest[vector] = avr->cycle - off_since;
        }
        if (text_done && end == UINT64_MAX) {
            end = avr->cycle + 2000;
            wake_at(end, &end);
        }
    }
    if (text_length)
        printf("text %.*s\n", (int)text_length, text);
    for (k = 0; k < TIMERS * CHANNELS; k++) {
        const struct output *output = &timers[k / CHANNELS].outputs[k % CHANNELS];

        if (output->is_used && output->ahead != UINT64_MAX)
            printf("ahead %c %u %llu\n", output->pin.port, output->pin.bit, (unsigned long long)output->ahead);
    }
    for (k = 1; k < MOST_VECTORS; k++)
        if (longest[k])
            printf("interrupt %d %llu\n", k, (unsigned long long)longest[k]);
    printf("off %llu\nstack %u\ncounting %d\nend %llu\n", (unsigned long long)longest[0], stack,
           (avr->data[timers[1].clock] & 7) != 0, (unsigned long long)avr->cycle);
    return 0;
}
