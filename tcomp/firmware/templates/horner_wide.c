/* The polynomial, modulo 2^32, each product rounded to nearest, ties upwards. x is in units of 2^-15.
 * All sums are unsigned: C leaves >> of negatives open. */
static uint32_t ${symbol}_polynomial(uint16_t along)
{
    const int32_t x = ((int32_t)along + INT32_C(${from_middle})) * INT32_C(${x_step});
    uint32_t sum = (uint32_t)${read_coefficient}${degree}u);
    uint16_t power = ${degree}u;

    while (power != 0u) {
        const uint64_t product = (uint64_t)((int64_t)${symbol}_value(sum) * x) + 16384u;

        power--;
        sum = (uint32_t)${read_coefficient}power) + (uint32_t)(product >> 15u);
    }
    return sum;
}

