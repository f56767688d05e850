/* ${symbol}_follow.c
 *
${origin}
 * Do not edit. What it does and in which units: ${symbol}_follow.h.
 */
#include "${symbol}_follow.h"

/* What 32 bits are worth in two's complement, without a conversion that C leaves open. */
static int32_t ${symbol}_follow_signed(uint32_t bits)
{
    union {
        uint32_t bits;
        int32_t value;
    } both;

    both.bits = bits;
    return both.value;
}

/* Codes since the first of the range; beyond it those of its ends. */
static uint16_t ${symbol}_follow_along(${code_type} code)
{
    const int32_t asked = code;

    if (asked < ${upper}_LOW_CODE) {
        return 0u;
    }
    return (asked > ${upper}_HIGH_CODE) ? ${span}u : (uint16_t)(asked - ${upper}_LOW_CODE);
}
