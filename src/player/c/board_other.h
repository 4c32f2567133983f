/* The board functions on any other board: write the five of them for your own, and let
 * its interrupts call event_due() of event.h. board.h says what each has to do. */
#ifndef BOARD_OTHER_H
#define BOARD_OTHER_H

#include <stdint.h>

uint16_t board_now(void);
uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode);
void board_write(uint8_t line, uint8_t level);
uint8_t board_read(uint8_t input);

/* A step that another step follows, the usual case, may have a faster function. */
#ifndef board_step_again
#define board_step_again(channel, from, ticks) \
    board_arm((channel), (from), (ticks), ARM_STEP | ARM_EVENT | ARM_AFTER_STEP)
#endif

/* A board may make outputs with a timer. It then defines board_output as its own name, and
 * all of these:
 *   board_output()      prepares an output to change BOARD_OUTPUT_LEAD ticks after the count
 *                       `at`, at which it is called
 *   board_writes()      1 for an output that board_output() does not prepare; board_write()
 *                       writes it instead, BOARD_WRITE_LEAD ticks before it is due
 *   BOARD_WRITTEN_OUTPUTS  the number of such outputs
 *   board_outputs_off() turns all outputs off */
#ifndef board_output
#define BOARD_OUTPUT_LEAD BOARD_LEAD
static inline void board_output(uint8_t output, uint8_t level, uint16_t at)
{
    (void)at;
    board_write((uint8_t)(LINE_OUTPUT + output), level);
}
#define board_writes(output) 0
#define BOARD_WRITE_LEAD 0u
enum { BOARD_WRITTEN_OUTPUTS = 0 };
static inline void board_outputs_off(void)
{
#if OUTPUTS > 0
    uint8_t k;

    for (k = 0; k < OUTPUTS; k++)
        board_write((uint8_t)(LINE_OUTPUT + k), 0);
#endif
}
#endif

/* Starts a timer that board_stop() has halted, before another program comes over a line. */
#ifndef board_restart
#define board_restart() (void)0
#endif

/* A board may have a faster way to end all pulses. */
#ifndef board_stop
#define board_stop() board_arm(ALL_CHANNELS, 0, 0, ARM_NOT)
#endif

/* Where board_stop() leaves a step line high, this waits until the pulse has lasted
 * STEP_PULSE_TICKS and ends it. */
#ifndef board_finish_pulses
#define board_finish_pulses() (void)0
#endif

/* A board may have a watchdog that resets it. board_watch(1) starts it and board_watch(0) ends
 * it; board_fed() starts its time anew. It runs while a program does. */
#ifndef board_fed
#define board_watch(on) (void)0
#define board_fed() (void)0
#endif

#ifndef BOARD_INTERRUPTS_OFF
void board_interrupts(uint8_t on);
#define BOARD_INTERRUPTS_OFF() board_interrupts(0)
#define BOARD_INTERRUPTS_ON() board_interrupts(1)
#endif

#ifndef BOARD_IDLE
#define BOARD_IDLE() BOARD_INTERRUPTS_ON()
#endif

#ifndef BOARD_LEAD
#define BOARD_LEAD 0u
#endif
#ifndef BOARD_TO_ARM
#define BOARD_TO_ARM 0u
#endif

#endif
