/* The player at the end of a serial line that says what the fuzzer likes.
 *
 * The input is a row of messages: how long the board runs before (in 256 ticks, or for a
 * second), its inputs, how the message is made, its length, its bytes. Each input has a process
 * of its own, as the player keeps what it knows in variables that nothing resets but power.
 */
#define _GNU_SOURCE
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

/* board_posix.c ends where nothing more comes in: of this process alone. */
#define exit _exit
#define main board_main
#include "../../outside/board_posix.c"
#undef main
#undef exit

#define VERSION 3u

enum { RAW, FRAMED, GREETING, DATA, KINDS };

static uint8_t script[1u << 20];
static size_t script_length;

static void add(uint8_t byte)
{
    if (script_length < sizeof script)
        script[script_length++] = byte;
}

/* The head of a slice of board_posix.c, with so many bytes behind it. */
static void add_slice(uint32_t ticks, uint8_t active, size_t bytes)
{
    unsigned k;

    for (k = 0; k < 4u; k++)
        add((uint8_t)(ticks >> (8u * k)));
    add(active);
    add(255u);
    add(255u);
    add((uint8_t)bytes);
    add((uint8_t)(bytes >> 8));
}

/* A frame as the host sends it: CRC-32, consistent overhead byte stuffing, a zero. */
static size_t framed(uint8_t *to, const uint8_t *payload, size_t length)
{
    uint8_t whole[300];
    size_t k, at = 1, code = 0;
    uint32_t crc = 0xFFFFFFFFul;
    unsigned bit;

    memcpy(whole, payload, length);
    for (k = 0; k < length; k++) {
        crc ^= whole[k];
        for (bit = 0; bit < 8u; bit++)
            crc = (crc >> 1) ^ ((crc & 1u) ? 0xEDB88320ul : 0u);
    }
    crc = ~crc;
    for (k = 0; k < 4u; k++)
        whole[length + k] = (uint8_t)(crc >> (8u * k));
    for (k = 0; k < length + 4u; k++) {
        if (whole[k] == 0 || at - code == 255u) {
            to[code] = (uint8_t)(at - code);
            code = at++;
            if (whole[k] == 0)
                continue;
        }
        to[at++] = whole[k];
    }
    to[code] = (uint8_t)(at - code);
    to[at++] = 0;
    return at;
}

static void compose_script(const uint8_t *bytes, size_t length)
{
    static const uint8_t likeness[] = {
        1u, VERSION, (uint8_t)TICK_RATE, (uint8_t)(TICK_RATE >> 8), (uint8_t)(TICK_RATE >> 16),
        (uint8_t)((uint32_t)TICK_RATE >> 24), AXES, OUTPUTS, INPUTS, 1, 2, 3, 4,
    };
    uint8_t number = 0;

    script_length = 0;
    while (length >= 4u) {
        uint32_t ticks = bytes[0] == 255u ? TICK_RATE : 256ul * bytes[0];
        uint8_t active = bytes[1], payload[256], made[600];
        unsigned kind = bytes[2] % KINDS;
        size_t said = bytes[3], k, size;

        bytes += 4;
        length -= 4u;
        if (said > length)
            said = length;
        if (kind == RAW) {
            memcpy(made, bytes, size = said);
        } else if (kind == GREETING) {
            number = 0;
            size = framed(made, likeness, sizeof likeness);
        } else {
            memcpy(payload, bytes, said);
            if (kind == DATA && said > 3u) {
                payload[0] = 2u;
                payload[2] = number++;
            }
            size = framed(made, payload, said > 250u ? 250u : said);
        }
        add_slice(ticks, active, size);
        for (k = 0; k < size; k++)
            add(made[k]);
        bytes += said;
        length -= said;
    }
    add_slice(TICK_RATE / 50u, 0, 0);
}

void board_line(const uint8_t *bytes, size_t length)
{
    int status = 0;
    pid_t child;

    compose_script(bytes, length);
    child = fork();
    if (child < 0)
        return;
    if (child == 0) {
        stdin = fmemopen(script, script_length, "rb");
        stdout = fopen("/dev/null", "wb");
        /* A player that hangs is a finding too, and libFuzzer has a handler for this. */
        signal(SIGALRM, SIG_DFL);
        alarm(10);
        if (stdin && stdout)
            board_main(0, NULL);
        _exit(1);
    }
    if (waitpid(child, &status, 0) == child && status != 0)
        abort();
}
