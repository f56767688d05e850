/* startup_cortexm.c
 *
 * From reset to main: the vector table, the initial values of data, zeros for the rest.
 * Source of the table's form: ARMv6-M Architecture Reference Manual, "The vector table".
 */
#include <stddef.h>
#include <stdint.h>

/* From cortexm.ld. The top of the stack is declared as a function, as its place in a table of functions asks. */
extern void cortexm_stack_top(void);
extern const uint32_t cortexm_data_kept[];
extern uint32_t cortexm_data_start[];
extern uint32_t cortexm_data_end[];
extern uint32_t cortexm_zero_start[];
extern uint32_t cortexm_zero_end[];

int main(int count, char **words);
void cortexm_reset(void);
void cortexm_stop(void);
void *memcpy(void *to, const void *from, size_t count);
void *memset(void *to, int value, size_t count);

/* Where the example comes to rest, and where any fault ends; not inlined, so that a debugger can stop there. */
__attribute__((noinline)) void cortexm_stop(void)
{
    for (;;) {
        __asm__ volatile("wfi");
    }
}

void cortexm_reset(void)
{
    const size_t data_bytes = (size_t)((uintptr_t)cortexm_data_end - (uintptr_t)cortexm_data_start);
    const size_t zero_bytes = (size_t)((uintptr_t)cortexm_zero_end - (uintptr_t)cortexm_zero_start);

    (void)memcpy(cortexm_data_start, cortexm_data_kept, data_bytes);
    (void)memset(cortexm_zero_start, 0, zero_bytes);
    (void)main(0, NULL);
    cortexm_stop();
}

__attribute__((section(".vectors"), used)) static void (*const vectors[16])(void) = {
    cortexm_stack_top, cortexm_reset, cortexm_stop, cortexm_stop,   /* stack, reset, NMI, HardFault */
    NULL,              NULL,          NULL,         NULL,
    NULL,              NULL,          NULL,         cortexm_stop,   /* SVCall */
    NULL,              NULL,          cortexm_stop, cortexm_stop    /* PendSV, SysTick */
};

/* The two that compilers call of their own accord; volatile, lest they are turned into calls of themselves. */
void *memcpy(void *to, const void *from, size_t count)
{
    volatile uint8_t *const written = to;
    const uint8_t *const read = from;
    size_t place;

    for (place = 0u; place < count; place++) {
        written[place] = read[place];
    }
    return to;
}

void *memset(void *to, int value, size_t count)
{
    volatile uint8_t *const written = to;
    size_t place;

    for (place = 0u; place < count; place++) {
        written[place] = (uint8_t)value;
    }
    return to;
}
