/* What a program is asked of an actuator: 0 starts it; 1 to 4 give the halves of an offset and of ticks, the upper
 * ones first; 5 is an update; from 6 on, what can be read. */
#include "${symbol}_actuators.h"

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits);

static int32_t proof_signed(uint32_t bits)
{
    union {
        uint32_t bits;
        int32_t value;
    } both;

    both.bits = bits;
    return both.value;
}

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits)
{
    static ${own}_t a;
    static uint32_t offset_bits;
    static uint32_t ticks;
    const int32_t offset_ppt = proof_signed(offset_bits);

    switch (which) {
    case 0u:
        ${own}_start(&a);
        return 0;
    case 1u:
    case 2u:
        offset_bits = (offset_bits << 16u) | bits;
        return 0;
    case 3u:
    case 4u:
        ticks = (ticks << 16u) | bits;
        return 0;
    case 5u:
        ${update};
        return 0;
${readings}
    default:
        return (int32_t)${symbol}_actuators_selftest();
    }
}
