/* What the player needs of a board: five functions. A port that does literally what stands
 * here runs.
 *
 *   uint16_t board_now(void)
 *       The counter of the timer that times every event: it counts upwards at TICK_RATE,
 *       and 0 follows 65,535. Called from main() and from interrupts.
 *
 *   uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode)
 *       Gets a channel ready for one event at the count from + ticks (modulo 65,536).
 *       There is one channel for each axis, 0 to AXES - 1, and the channel AXES for outputs
 *       and marks, which has no step line. `from` is a count that has been, by less than a
 *       turn of the counter: the last event of the channel, or board_now() at the start. So
 *       the event lies ahead exactly while (uint16_t)(board_now() - from) < ticks.
 *       `mode` is a sum of bits:
 *         ARM_EVENT       at that count the channel's interrupt comes, once; it calls
 *                         event_due(channel, from + ticks) of event.h, and that of the
 *                         channel AXES calls player_event(channel, from + ticks) instead
 *         ARM_STEP        at that count the step line rises; only with ARM_EVENT. Best the
 *                         timer raises it, by a compare output; a board without one raises
 *                         it first thing in the interrupt
 *         ARM_AFTER_STEP  the event that calls this was a step: its line goes low now. The
 *                         player has waited until STEP_PULSE_TICKS after the count of the
 *                         step; a board that raised the line later waits for the rest
 *         ARM_FIRST       the channel is armed for the first time since the start or since a
 *                         stop: what it was armed for before is forgotten
 *       ARM_NOT is the mode without any bit: the channel has no further event and no
 *       interrupt until ARM_FIRST. `ticks` is 0 without ARM_EVENT, and 1 to 65,534 with it.
 *       With ALL_CHANNELS and ARM_NOT every channel is disarmed, and no step line rises any
 *       more; that is how the default of board_stop() in board_other.h ends all pulses.
 *       Returns 0 where ARM_EVENT is given and the count had gone by before the channel was
 *       ready, so that the event would come a turn of the counter too late; the player then
 *       stops. Returns anything else otherwise. Called from the interrupt of the channel, and
 *       from main() with interrupts off; ALL_CHANNELS from any interrupt too.
 *
 *   void board_write(uint8_t line, uint8_t level)
 *       Sets a line to `level`, 1 for active: a direction (LINE_DIRECTION + axis; active
 *       where the position rises), an output (LINE_OUTPUT + number), or what enables a drive
 *       (LINE_ENABLE + axis; ignore the axes that have no such line). README.md lists the
 *       lines that are active low. Called from interrupts, and from main() at a stop; the one
 *       may come amid the other, so that a line is changed by one instruction, or with
 *       interrupts off.
 *
 *   uint8_t board_read(uint8_t input)
 *       1 where the input of that number is active, or else 0. Besides the rig's inputs:
 *         INPUT_STOP_CONTACT   active where the stop contact is open. Its interrupt calls
 *                              contact_open() of event.h, in every state of the player.
 *                              It is no emergency stop: fit one that removes the motor's
 *                              power independently
 *         INPUT_DUE + channel  active where the step line of the channel has risen and its
 *                              interrupt has not been served: once all channels are stopped,
 *                              that is a step which was made and not counted. Always 0 on a
 *                              board that raises the line in the interrupt
 *       Called from main() and, as INPUT_DUE, with interrupts off.
 *
 *   void board_interrupts(uint8_t on)
 *       Turns all interrupts off (0) or on (1). Called from main(), and off from interrupts.
 *
 * Before it calls player_run(), main() sets up the counter, the lines (none active), the interrupt
 * of the stop contact, and turns interrupts on. All interrupts of channels and of the stop
 * contact have one priority, so that none interrupts another; only that of the channel AXES
 * may be interrupted, on a board where that makes steps more punctual.
 *
 * A player that is fed over a serial line needs two more, which main() calls:
 *
 *   int16_t board_serial_get(void)
 *       The next byte that has come in, or -1 where there is none.
 *
 *   uint8_t board_serial_put(uint8_t byte)
 *       Sends a byte; 0 where the line is busy: the player tries again.
 *
 * Further names have defaults in board_other.h, which suit any board; a board that knows
 * better defines its own before event.h is included, for every file (in CFLAGS):
 *
 *   BOARD_INTERRUPTS_OFF(), BOARD_INTERRUPTS_ON()   call board_interrupts()
 *   BOARD_IDLE()      does nothing until the next interrupt, or returns at once; called
 *                     with interrupts off, it turns them on before
 *   BOARD_LEAD        time in ticks from an event to the line that event_due() writes:
 *                     directions and outputs are due so much earlier
 *   BOARD_OUTPUT_LEAD the same for outputs, where a timer makes them: board_output() then
 *                     gets one ready; board_other.h says what comes with it
 *   board_watch(), board_fed()   a watchdog; board_other.h says what they do
 *   BOARD_TO_ARM      the least time in ticks, rounded down, from an event to
 *                     board_arm() in its interrupt: shorter pulses need no waiting
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

enum { ARM_NOT, ARM_EVENT, ARM_STEP, ARM_AFTER_STEP = 4, ARM_FIRST = 8 };

#define ALL_CHANNELS 255u
#define LINE_DIRECTION 0u
#define LINE_OUTPUT 16u
#define LINE_ENABLE 128u
#define INPUT_STOP_CONTACT 255u
#define INPUT_DUE 224u

#if defined(__AVR__)
#include "board_avr.h"
#else
#include "board_other.h"
#endif

#ifdef STREAMED
int16_t board_serial_get(void);
uint8_t board_serial_put(uint8_t byte);
#endif

#endif
