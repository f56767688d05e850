/* What these bits are worth in two's complement, without a conversion that C leaves open. */
static int${value_bits}_t ${symbol}_value(uint${value_bits}_t bits)
{
    union {
        uint${value_bits}_t bits;
        int${value_bits}_t value;
    } both;

    both.bits = bits;
    return both.value;
}

