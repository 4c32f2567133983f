/* Functions of yours, in user.c, which the player's main loop calls while a program plays. They
 * run beside the interrupts that make the steps, and change nothing of them.
 *
 * USER_TICKS (schedule.h) is the time that the calls of one pass may take, interrupts in
 * between included. The player measures it, and stops with the state OVERRUN where they take
 * longer: steps that are decoded ahead last only so long. It counts modulo a turn of the timer,
 * so that while nothing moves a very long call may go unnoticed. Never wait in one of them: do a
 * little in each pass.
 *
 * Leave alone: timer 1, the timers of outputs, the pins of pins.h, the watchdog, and the
 * serial port's settings; turn interrupts off for 20 cycles at most.
 */
#ifndef USER_H
#define USER_H

#include <stdint.h>

#include "player.h"

/* Before anything moves, once a program; no limit on its time. */
void user_start(void);

/* A mark has been reached. schedule.h lists their numbers. Where several are reached
 * within a pass, the last one is told. */
void user_mark(uint8_t number);

/* In each pass of the main loop, also while an input is awaited. */
void user_pass(void);

/* Once the program has ended, with everything done that its end brings; the state is one of
 * player.h, FINISHED where all of it was played. No limit on its time. */
void user_end(uint8_t state);

#endif
