/* Plays the tables of schedule.h and prints every event as `tick kind which value`. A program
 * without end goes back as often as the argument says. */

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "schedule.h"

static uint64_t tick;
static int direction[SLEWSMITH_AXES];

static void play(struct slewsmith_action action)
{
    struct slewsmith_part part = slewsmith_part(action.value);
    uint32_t interval = part.first_interval;
    for (uint32_t step = 0; step < part.steps; step++) {
        uint8_t axis = action.which;
        if (axis == SLEWSMITH_SEVERAL) {
            axis = slewsmith_axis_at(part.first_axis + step);
        }
        if (step > 0) {
            tick += slewsmith_interval(&interval);
        }
        printf("%" PRIu64 " step %u %d\n", tick, axis, direction[axis]);
    }
}

static void act(struct slewsmith_action action)
{
    tick += action.wait;
    switch (action.kind) {
    case SLEWSMITH_PLAY:
        play(action);
        break;
    case SLEWSMITH_DIRECTION:
        direction[action.which] = action.value ? 1 : -1;
        printf("%" PRIu64 " direction %u %d\n", tick, action.which, direction[action.which]);
        break;
    case SLEWSMITH_OUTPUT:
        printf("%" PRIu64 " output %u %" PRIu32 "\n", tick, action.which, action.value);
        break;
    case SLEWSMITH_AWAIT:
        printf("%" PRIu64 " await %u %" PRIu32 "\n", tick, action.which, action.value);
        break;
    case SLEWSMITH_AWAIT_RELEASED:
        printf("%" PRIu64 " await-released %u %" PRIu32 "\n", tick, action.which, action.value);
        break;
    case SLEWSMITH_AWAIT_PRESSED:
        printf("%" PRIu64 " await-pressed %u %" PRIu32 "\n", tick, action.which, action.value);
        break;
    case SLEWSMITH_MARK:
        printf("%" PRIu64 " mark 0 %" PRIu32 "\n", tick, action.value);
        break;
    default:
        break;
    }
}

int main(int count, char **arguments)
{
    long again = count > 1 ? strtol(arguments[1], NULL, 10) : 0;
    for (uint32_t number = 0; number < SLEWSMITH_ACTIONS; number++) {
        struct slewsmith_action action = slewsmith_action(number);
#ifdef SLEWSMITH_FOREVER
        if (action.kind == SLEWSMITH_FOREVER) {
            if (again-- > 0) {
                number = action.value - 1;
            }
            continue;
        }
#endif
        if (action.kind != SLEWSMITH_REPEAT) {
            act(action);
            continue;
        }
        for (uint32_t times = 0; times < action.value; times++) {
            for (uint32_t back = action.which; back > 0; back--) {
                act(slewsmith_action(number - back));
            }
        }
    }
#ifdef SLEWSMITH_END_TICK
    (void)again;
    printf("%" PRIu64 " end\n", tick);
    return tick == SLEWSMITH_END_TICK ? 0 : 1;
#else
    return again < 0 ? 0 : 1;
#endif
}
