/* What the player needs of a board: four functions and a few numbers.
 *
 *   uint16_t board_now(void)
 *       The count of the timer that times every event; it runs at TICK_RATE and
 *       starts over behind 65,535.
 *
 *   uint8_t board_arm(uint8_t channel, uint16_t from, uint16_t ticks, uint8_t mode)
 *       Ends the step pulse of the channel where `mode` has ARM_AFTER_STEP, and gets
 *       the channel ready for the count from + ticks:
 *         ARM_STEP   the timer itself raises the step line at that count, and the
 *                    interrupt of the channel calls event_due(channel);
 *         ARM_EVENT  only the interrupt; the step line stays low;
 *         ARM_NOT    neither. The channel may then be ALL_CHANNELS, and the timer stops
 *                    for good.
 *       ARM_FIRST is added where the channel was not armed before. Returns 0 where the
 *       count had gone by before the channel was ready, so that nothing will happen at
 *       it. The channel behind the last axis has no step line, and its
 *       interrupt may be interrupted by the others.
 *
 *   void board_write(uint8_t line, uint8_t level)
 *       A direction line (LINE_DIRECTION + axis) or an output (LINE_OUTPUT + number). An
 *       interrupt may call it for outputs while it is at work on one.
 *
 *   uint8_t board_read(uint8_t input)
 *       1 where the input is active. INPUT_STOP_CONTACT is active where the stop
 *       contact is open; its interrupt calls contact_open() of event.h. It is no emergency
 *       stop: fit one that removes the motor's power independently. INPUT_DUE + channel is
 *       active where the timer has come to what the channel was armed for and its
 *       interrupt has not been served: once the timer has stopped, that is a step which
 *       was made and not counted.
 *
 * A player that is fed over a serial line needs two more:
 *
 *   int16_t board_serial_get(void)
 *       The next byte that has come in, or -1 where there is none.
 *
 *   uint8_t board_serial_put(uint8_t byte)
 *       Sends a byte; 0 where the line is busy and it has to be tried again.
 *
 * and, with the interrupt routines, which include event.h:
 *
 *   BOARD_INTERRUPTS_OFF(), BOARD_INTERRUPTS_ON()
 *   BOARD_IDLE()      does nothing until the next interrupt, or returns at once; called
 *                     with interrupts off, it turns them on before
 *   BOARD_LEAD        time in ticks from an event to the line that event_due() writes:
 *                     directions and outputs are due so much earlier
 *   BOARD_OUTPUT_LEAD the same for outputs, where a timer makes them: board_output() then
 *                     gets one ready; board_other.h says what comes with it
 *   BOARD_TO_ARM      the least time in ticks, rounded down, from an event to
 *                     board_arm() in its interrupt: pulses that need no more are not
 *                     waited for
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

enum { ARM_NOT, ARM_EVENT, ARM_STEP, ARM_AFTER_STEP = 4, ARM_FIRST = 8 };

#define ALL_CHANNELS 255u
#define LINE_DIRECTION 0u
#define LINE_OUTPUT 16u
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
