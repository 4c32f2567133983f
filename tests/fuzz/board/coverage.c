/* What gcc's -fsanitize-coverage=trace-pc reports, as counters that libFuzzer looks at. */
#define _DEFAULT_SOURCE
#include <stdint.h>
#include <sys/mman.h>

#define COUNTERS 16384u

__attribute__((section("__libfuzzer_extra_counters"), aligned(4096))) static uint8_t counters[COUNTERS];

void __sanitizer_cov_trace_pc(void)
{
    uintptr_t place = (uintptr_t)__builtin_return_address(0);

    counters[(place ^ place >> 14) % COUNTERS]++;
}

/* The counters of processes that are forked count too. */
__attribute__((constructor)) static void share(void)
{
    mmap(counters, sizeof counters, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS | MAP_FIXED, -1, 0);
}
