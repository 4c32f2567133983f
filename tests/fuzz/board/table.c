/* The player's decoder on a table that begins with the fuzzer's bytes and has a right checksum. */
#define FUZZED
#include "../../outside/hostile_table.c"

void board_table(const uint8_t *bytes, size_t length)
{
    memcpy(tampered, whole, sizeof tampered);
    memcpy(tampered, bytes, length < sizeof tampered ? length : sizeof tampered);
    seed = 1;
    play_tampered();
}
