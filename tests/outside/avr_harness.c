/* Runs an AVR program cycle by cycle on libsimavr and prints what its pins do.
 *
 *   avr_harness PROGRAM.elf MCU HERTZ CYCLES [STIMULUS]...
 *
 * Stimuli:
 *   pin=CYCLE:PORT:BIT:LEVEL      drives a pin from outside from that cycle on
 *   hold=PORT:BIT:LEVEL           drives a pin before the start
 *   wave=PORT:BIT:PERIOD:LOW      drives a pin low for LOW cycles of every PERIOD
 *   flip=ADDRESS:MASK             changes a byte of the flash before the start
 *   entry=CYCLES                  adds so many cycles to each entry of an interrupt,
 *                                 for which the simulator charges none
 *   block=CYCLE:CYCLES            lets the processor do nothing for so long, once
 *   quiet                         prints no pins
 *   step=BAUD                     runs in step with whoever holds the other ends of its
 *                                 pipes, as board_posix.c does, but for this: times are
 *                                 in cycles, lines are 8 * (port - 'A') + bit
 *
 * Lines printed: `pin CYCLE PORT BIT LEVEL`, `text ...` from the serial port, and at the
 * end, for every interrupt that came, `interrupt NUMBER LONGEST` (the longest time with
 * interrupts off behind its entry, in cycles), `off LONGEST` (the same for what turned
 * them off on its own), `stack BYTES`, `counting 1` where timer 1 still runs, or 0, and
 * `end CYCLE`. Ends a little after a line of text has come.
 *
 * simavr 1.6 knows no forced compare, does not let go of a pin when its compare output
 * is switched off, and moves compare outputs in normal mode whenever a compare register
 * is written. So the output stage is modelled here, as the data sheets of these parts
 * describe it: simavr says when a compare matches, and the mode bits what that does.
 */
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { TCCR1A = 0x80, TCCR1B = 0x81, TCCR1C = 0x82, VECTOR_BYTES = 4, MOST_VECTORS = 57, MOST_STIMULI = 64 };

static avr_t *avr;
static const char *ports;
static uint8_t levels[256][8];
static char text[256];
static size_t text_length;
static int text_done, quiet, in_step;

struct pin {
    char port;
    uint8_t bit;
};

/* Compare outputs A, B, C of timer 1, and the numbers of their interrupts. */
static struct pin outputs[3];
static int vectors[3];
/* Whether a compare output has ever been switched on: its pin is a step line then. */
static int is_step_line[3];

/* A level that a pin is driven to, once or over and over. */
static struct stimulus {
    struct pin pin;
    uint8_t level;
    uint64_t high, low;
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

static void note(const struct pin *pin, uint8_t level)
{
    uint8_t k;

    if (event_count == MOST)
        exit(1);
    for (k = 0; k < 8; k++)
        events[event_count][k] = (uint8_t)(avr->cycle >> (8 * k));
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
}

static uint8_t output_mode(int k)
{
    return avr->data[TCCR1A] >> (6 - 2 * k) & 3;
}

static void level_is(const struct pin *pin, uint8_t level)
{
    uint8_t *known = &levels[(uint8_t)pin->port][pin->bit];

    if (*known != level) {
        *known = level;
        if (in_step)
            note(pin, level);
        else if (!quiet)
            printf("pin %llu %c %u %u\n", (unsigned long long)avr->cycle, pin->port, pin->bit, level);
    }
}

static void pin_changed(struct avr_irq_t *irq, uint32_t value, void *param)
{
    const struct pin *pin = param;
    int k;

    (void)irq;
    for (k = 0; k < 3; k++)
        if (outputs[k].port == pin->port && outputs[k].bit == pin->bit && is_step_line[k])
            return;
    level_is(pin, value & 1);
}

/* What a compare match of output k does, be it real or forced. */
static void match(int k)
{
    switch (output_mode(k)) {
    case 1:
        level_is(&outputs[k], !levels[(uint8_t)outputs[k].port][outputs[k].bit]);
        break;
    case 2:
        level_is(&outputs[k], 0);
        break;
    case 3:
        level_is(&outputs[k], 1);
    }
}

static void matched(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    if (value)
        match((int)(intptr_t)param);
}

/* From outside, so that the pull-up does not win. */
static void hold(struct pin pin, uint32_t level)
{
    static uint8_t masks[256], values[256];
    uint8_t *mask = &masks[(uint8_t)pin.port], *value = &values[(uint8_t)pin.port];
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

static void force_compare(struct avr_t *core, avr_io_addr_t address, uint8_t value, void *param)
{
    int k;

    (void)param;
    core->data[address] = 0; /* the bits always read as zero */
    for (k = 0; k < 3; k++)
        if (value & 0x80 >> k)
            match(k);
}

/* A step line whose compare output is switched off follows its port, and the programs that
 * are run here leave the ports of these pins low. What the simulator's own output stage
 * makes of its copy of the port is not to be trusted. */
static void compare_mode(struct avr_t *core, avr_io_addr_t address, uint8_t value, void *param)
{
    int k;

    (void)core;
    (void)address;
    (void)value;
    (void)param;
    for (k = 0; k < 3; k++) {
        is_step_line[k] |= output_mode(k) != 0;
        if (is_step_line[k] && output_mode(k) == 0)
            level_is(&outputs[k], 0);
    }
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
        text_done = 1;
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

static void set_up(const char *mcu)
{
    static const struct pin small[3] = {{'B', 1}, {'B', 2}, {0, 0}};
    static const struct pin large[3] = {{'B', 5}, {'B', 6}, {'B', 7}};
    uint32_t flags = 0;
    int is_large = strstr(mcu, "2560") != NULL, k, bit;

    avr->sleep = no_sleep;
    memcpy(outputs, is_large ? large : small, sizeof outputs);
    ports = is_large ? "ABCDEFGHJKL" : "BCD";
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
    for (k = 0; k < 3; k++) {
        vectors[k] = outputs[k].port ? (is_large ? 17 : 11) + k : 0;
        if (vectors[k])
            avr_irq_register_notify(avr_get_interrupt_irq(avr, (uint8_t)vectors[k]) + AVR_INT_IRQ_PENDING,
                                    matched, (void *)(intptr_t)k);
    }
    avr_register_io_write(avr, TCCR1C, force_compare, NULL);
    avr_register_io_write(avr, TCCR1A, compare_mode, NULL);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), said, NULL);
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
    return next;
}

int main(int count, char **arguments)
{
    elf_firmware_t firmware;
    uint64_t limit, end = UINT64_MAX, off_since = 0, longest[MOST_VECTORS] = {0};
    unsigned long long block_at = UINT64_MAX, block = 0;
    uint32_t vector_table;
    unsigned entry = 0, stack = 0;
    int k, off = 1, vector = 0, state = cpu_Running;

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
    set_up(arguments[2]);
    vector_table = strstr(arguments[2], "2560") ? MOST_VECTORS * VECTOR_BYTES : 26 * VECTOR_BYTES;
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
            avr_cycle_timer_register(avr, at, stimulate, stimulus);
        } else if (sscanf(argument, "hold=%c:%u:%u", &stimulus->pin.port, &bit, &level) == 3) {
            stimulus->pin.bit = (uint8_t)bit;
            hold(stimulus->pin, level);
        } else if (sscanf(argument, "wave=%c:%u:%llu:%llu", &stimulus->pin.port, &bit, &at, &low) == 4) {
            stimulus->pin.bit = (uint8_t)bit;
            stimulus->level = 1;
            stimulus->high = at - low;
            stimulus->low = low;
            stimulus_count++;
            avr_cycle_timer_register(avr, 1, stimulate, stimulus);
        } else if (sscanf(argument, "flip=%llu:%u", &at, &mask) == 2) {
            avr->flash[at] ^= (uint8_t)mask;
        } else if (sscanf(argument, "entry=%u", &entry) == 1) {
        } else if (sscanf(argument, "block=%llu:%llu", &block_at, &block) == 2) {
        } else if (sscanf(argument, "step=%llu", &at) == 1) {
            in_step = 1;
            byte_cycles = 11 * avr->frequency / at;
        } else if (!strcmp(argument, "quiet")) {
            quiet = 1;
        } else {
            return 2;
        }
    }
    while (avr->cycle < limit && avr->cycle < end) {
        if (in_step)
            feed();
        state = avr_run(avr);
        if (avr->cycle >= block_at) {
            avr->cycle += block;
            block_at = UINT64_MAX;
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
                vector = avr->pc < vector_table ? (int)(avr->pc / VECTOR_BYTES) : 0;
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
        if (text_done && end == UINT64_MAX)
            end = avr->cycle + 2000;
    }
    if (text_length)
        printf("text %.*s\n", (int)text_length, text);
    for (k = 1; k < MOST_VECTORS; k++)
        if (longest[k])
            printf("interrupt %d %llu\n", k, (unsigned long long)longest[k]);
    printf("off %llu\nstack %u\ncounting %d\nend %llu\n", (unsigned long long)longest[0], stack,
           (avr->data[TCCR1B] & 7) != 0, (unsigned long long)avr->cycle);
    return 0;
}
