/* What 16 bits are worth in two's complement, without a conversion that C leaves open. */
static int16_t ${symbol}_int16(uint16_t bits)
{
    union {
        uint16_t bits;
        int16_t value;
    } both;

    both.bits = bits;
    return both.value;
}

