/* The interrupts of timer 1 on an 8-bit AVR. Included by board_avr.c.
 *
 * The usual case, a step with another one behind it, is written by hand: the compiler
 * saves every register that any case could need, and that takes longer than the case
 * itself. Everything else is left to player_event(), with all registers as they were. */
#ifndef STEP_AVR_H
#define STEP_AVR_H

#include <stddef.h>

#include "event.h"

/* Parts with 8 KiB of flash or less have no long jumps. */
#ifdef __AVR_HAVE_JMP_CALL__
#define JUMP "jmp  "
#define CALL "call "
#else
#define JUMP "rjmp "
#define CALL "rcall "
#endif

/* Registers that nothing else uses, within reach of `in` and `out`; and the end of a pulse. */
#ifdef FIRST_GENERATION
#define KEPT_0 EEDR
#define KEPT_1 EEARL
#define KEPT_2 OCR2
#define FORCES TCCR1A
#define FORCE_COMPARE                \
    "lds  r24, %[forces]        \n"  \
    "ori  r24, %[force]         \n"  \
    "sts  %[forces], r24        \n"
#else
#define KEPT_0 GPIOR0
#define KEPT_1 GPIOR1
#define KEPT_2 GPIOR2
#define FORCES TCCR1C
#define FORCE_COMPARE                \
    "ldi  r24, %[force]         \n"  \
    "sts  %[forces], r24        \n"
#endif

/* Any event of a channel but the usual one. */
static APART __attribute__((used)) void rare_event(uint8_t channel)
{
    if (player_state == LATE)
        player_stop(LATE);
    else
        player_event(channel, COMPARE(channel));
}

/* Jumped to from an interrupt that has changed nothing but r24, which holds the channel,
 * while what it was before is on the stack. Saves the flags and all registers that belong
 * to a called function (r0, r1, r18 to r27, r30, r31), once for all channels. */
static __attribute__((naked, used)) void save_and_call(void)
{
    __asm__ __volatile__(
        "push r0               \n"
        "in   r0, __SREG__     \n"
        "push r0               \n"
        "push r1               \n"
        "clr  r1               \n"
        "push r18              \n"
        "push r19              \n"
        "push r20              \n"
        "push r21              \n"
        "push r22              \n"
        "push r23              \n"
        "push r25              \n"
        "push r26              \n"
        "push r27              \n"
        "push r30              \n"
        "push r31              \n"
        CALL "%x[rare_event]   \n"
        "pop  r31              \n"
        "pop  r30              \n"
        "pop  r27              \n"
        "pop  r26              \n"
        "pop  r25              \n"
        "pop  r23              \n"
        "pop  r22              \n"
        "pop  r21              \n"
        "pop  r20              \n"
        "pop  r19              \n"
        "pop  r18              \n"
        "pop  r1               \n"
        "pop  r0               \n"
        "out  __SREG__, r0     \n"
        "pop  r0               \n"
        "pop  r24              \n"
        "reti                  \n"
        :
        : [rare_event] "i"(rare_event));
}

/* Goes on there. */
#define RARE_EVENT                 \
    "push r24                  \n" \
    "ldi  r24, %[channel]      \n" \
    JUMP "%x[save_and_call]    \n"

/* Restores what the hand-written part has changed. Two registers and the flags
 * are kept in registers that nothing else uses: that takes half the time of the stack. */
#define RESTORE                  \
    "in   r25, %[kept_r25]  \n"  \
    "in   r24, %[kept_sreg] \n"  \
    "out  __SREG__, r24     \n"  \
    "in   r24, %[kept_r24]  \n"

/* Waits for the end of a long pulse: until TCNT1 - OCR1x is PULSE_END. The loop follows
 * everything else, because branches reach only so far. */
#if STEP_PULSE_TICKS > BOARD_TO_ARM
#define WAIT_FOR_PULSE               \
    "rjmp pulse_%=              \n"  \
    "waited_%=:                 \n"
#define WAITING                      \
    "pulse_%=:                  \n"  \
    "push r30                   \n"  \
    "push r31                   \n"  \
    "lds  r30, %[compare]       \n"  \
    "lds  r31, %[compare] + 1   \n"  \
    "look_%=:                   \n"  \
    "lds  r24, %[count]         \n"  \
    "lds  r25, %[count] + 1     \n"  \
    "sub  r24, r30              \n"  \
    "sbc  r25, r31              \n"  \
    "subi r24, lo8(%[pulse])    \n"  \
    "sbci r25, hi8(%[pulse])    \n"  \
    "brlo look_%=               \n"  \
    "pop  r31                   \n"  \
    "pop  r30                   \n"  \
    "ldd  r25, Z + %[ticks] + 1 \n"  \
    "rjmp waited_%=             \n"
#else
#define WAIT_FOR_PULSE
#define WAITING
#endif

/* Z = the event of the channel's ring whose place r30 holds. */
#define EVENT_AT_PLACE               \
    "ldi  r31, 0                \n"  \
    "subi r30, lo8(-(%[ring]))  \n"  \
    "sbci r31, hi8(-(%[ring]))  \n"

/* Does what event_due() and board_step_again() do. Uses the flags, r24, r25 and Z (r30,
 * r31); interrupts stay off. An interval of half a turn of the counter or more counts as
 * rare, so that the sign of what is left of it says whether its end has gone by. */
#define STEP_INTERRUPT(number, letter)                                                      \
    ISR(TIMER1_COMP##letter##_vect, ISR_NAKED)                                              \
    {                                                                                       \
        __asm__ __volatile__(                                                               \
            "out  %[kept_r24], r24      \n"                                                 \
            "in   r24, __SREG__         \n"                                                 \
            "out  %[kept_sreg], r24     \n"                                                 \
            "out  %[kept_r25], r25      \n"                                                 \
            /* r24 = the place of the next event, if there is one. */                       \
            "lds  r24, %[tail]          \n"                                                 \
            "subi r24, -%[event]        \n"                                                 \
            "lds  r25, %[head]          \n"                                                 \
            "cp   r24, r25              \n"                                                 \
            "breq rare_%=               \n"                                                 \
            /* Both are steps, the one that has been made and the next. */                  \
            "lds  r25, %[stepping]      \n"                                                 \
            "tst  r25                   \n"                                                 \
            "breq wait_%=               \n"                                                 \
            "push r30                   \n"                                                 \
            "push r31                   \n"                                                 \
            "mov  r30, r24              \n"                                                 \
            EVENT_AT_PLACE                                                                  \
            "ldd  r25, Z + %[what]      \n"                                                 \
            "andi r25, %[step]          \n"                                                 \
            "breq no_step_%=            \n"                                                 \
            "ldd  r25, Z + %[ticks] + 1 \n"                                                 \
            "tst  r25                   \n"                                                 \
            "brmi no_step_%=            \n"                                                 \
            "sts  %[tail], r24          \n"                                                 \
            WAIT_FOR_PULSE                                                                  \
            /* The end of the pulse: a compare is forced. */                                \
            FORCE_COMPARE                                                                   \
            "arm_%=:                    \n"                                                 \
            /* Z = when the next step is due; of two bytes of the timer that are written    \
             * the upper one goes first, and of two that are read the lower one. */         \
            "ldd  r24, Z + %[ticks]     \n"                                                 \
            "lds  r30, %[compare]       \n"                                                 \
            "lds  r31, %[compare] + 1   \n"                                                 \
            "add  r30, r24              \n"                                                 \
            "adc  r31, r25              \n"                                                 \
            "sts  %[compare] + 1, r31   \n"                                                 \
            "sts  %[compare], r30       \n"                                                 \
            "lds  r24, %[count]         \n"                                                 \
            "lds  r25, %[count] + 1     \n"                                                 \
            "cp   r24, r30              \n"                                                 \
            "cpc  r25, r31              \n"                                                 \
            "brpl gone_by_%=            \n"                                                 \
            "ready_%=:                  \n"                                                 \
            "pop  r31                   \n"                                                 \
            "pop  r30                   \n"                                                 \
            RESTORE                                                                         \
            "reti                       \n"                                                 \
            /* A step that has matched is not late. */                                      \
            "gone_by_%=:                \n"                                                 \
            "in   r24, %[flags]         \n"                                                 \
            "sbrc r24, %[flag]          \n"                                                 \
            "rjmp ready_%=              \n"                                                 \
            "ldi  r24, %[late]          \n"                                                 \
            "sts  %[state], r24         \n"                                                 \
            "no_step_%=:                \n"                                                 \
            "pop  r31                   \n"                                                 \
            "pop  r30                   \n"                                                 \
            "rare_%=:                   \n"                                                 \
            RESTORE                                                                         \
            RARE_EVENT                                                                      \
            /* A piece of a wait with another one behind it, while other axes step. */      \
            "wait_%=:                   \n"                                                 \
            "push r30                   \n"                                                 \
            "push r31                   \n"                                                 \
            "lds  r30, %[tail]          \n"                                                 \
            EVENT_AT_PLACE                                                                  \
            "ldd  r25, Z + %[what]      \n"                                                 \
            "tst  r25                   \n"                                                 \
            "brne no_step_%=            \n"                                                 \
            "mov  r30, r24              \n"                                                 \
            EVENT_AT_PLACE                                                                  \
            "ldd  r25, Z + %[what]      \n"                                                 \
            "tst  r25                   \n"                                                 \
            "brne no_step_%=            \n"                                                 \
            /* Only whole pieces: 256 to 32,767 ticks. */                                   \
            "ldd  r25, Z + %[ticks] + 1 \n"                                                 \
            "cpi  r25, 1                \n"                                                 \
            "brlt no_step_%=            \n"                                                 \
            "sts  %[tail], r24          \n"                                                 \
            "rjmp arm_%=                \n"                                                 \
            WAITING                                                                         \
            :                                                                               \
            : [kept_r24] "I"(_SFR_IO_ADDR(KEPT_0)), [kept_sreg] "I"(_SFR_IO_ADDR(KEPT_1)),  \
              [kept_r25] "I"(_SFR_IO_ADDR(KEPT_2)), [flags] "I"(_SFR_IO_ADDR(TIFR1)),       \
              [flag] "I"(OCF1##letter), [forces] "n"(_SFR_MEM_ADDR(FORCES)),                \
              [force] "M"(1 << FOC1##letter), [count] "n"(_SFR_MEM_ADDR(TCNT1)),            \
              [compare] "n"(_SFR_MEM_ADDR(OCR1##letter)), [pulse] "n"(PULSE_END),           \
              [tail] "i"(&player_streams[number].tail),                                     \
              [head] "i"(&player_streams[number].head),                                     \
              [stepping] "i"(&player_streams[number].stepping),                             \
              [ring] "i"(player_streams[number].ring), [event] "M"(sizeof(struct event)),   \
              [what] "I"(offsetof(struct event, what)), [step] "M"(STEP),                   \
              [ticks] "I"(offsetof(struct event, ticks)), [late] "M"(LATE),                 \
              [state] "i"(&player_state), [channel] "M"(number),                            \
              [save_and_call] "i"(save_and_call));                                          \
    }

/* The interrupt of outputs and texts. */
#define OUTPUT_INTERRUPT(number, letter)                                                    \
    ISR(TIMER1_COMP##letter##_vect, ISR_NAKED)                                              \
    {                                                                                       \
        __asm__ __volatile__(                                                               \
            "sei                        \n"                                                 \
            RARE_EVENT                                                                      \
            :                                                                               \
            : [channel] "M"(number), [save_and_call] "i"(save_and_call));                   \
    }

#endif
