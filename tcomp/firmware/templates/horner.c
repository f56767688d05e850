/* The polynomial, modulo 2^16, each product rounded to nearest, ties upwards. x is in units of 2^-15.
 * Twice the product has the rounded one as its upper half: C leaves >> of negatives open. */
static uint16_t ${symbol}_polynomial(uint16_t along)
{
    const int16_t x = ${symbol}_value((uint16_t)((along + ${to_middle}u) << ${shift}u));
    uint16_t sum = (uint16_t)${read_coefficient}${degree}u);
    uint16_t power = ${degree}u;

    while (power != 0u) {
        const uint32_t product = (uint32_t)((int32_t)${symbol}_value(sum) * x) + UINT32_C(16384);

        power--;
        sum = (uint16_t)((product << 1u) >> 16u);
        sum = (uint16_t)(sum + (uint16_t)${read_coefficient}power));
    }
    return sum;
}

