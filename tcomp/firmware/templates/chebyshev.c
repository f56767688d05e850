/* Factors times Chebyshev's polynomials, T1 first. x and the polynomials are in units of 2^-15, each next one is
 * 2 x T(k) - T(k-1), taken modulo 2^16; the sum is taken modulo 2^32 and rounded once.
 * Unsigned where bits are shifted out: C leaves >> of negatives open. */
static uint${value_bits}_t ${symbol}_smooth(uint16_t along)
{
    const int16_t x = ${as_int16}((uint16_t)((along + ${to_middle}u) * ${codes_to_x}u));
    uint16_t before = ${t0}u;
    uint16_t now = (uint16_t)((((uint32_t)((int32_t)x * INT32_C(${t0})) + UINT32_C(16384)) << 1u) >> 16u);
    uint32_t sum = UINT32_C(${half});
    uint16_t place;

    for (place = 0u; place < ${factor_count}u; place++) {
        const uint32_t product = (uint32_t)((int32_t)x * ${as_int16}(now)) + UINT32_C(8192);
        const uint16_t next = (uint16_t)((uint16_t)((product << 2u) >> 16u) - before);

        sum += (uint32_t)((int32_t)${as_int16}(now) * ${as_int16}((uint16_t)${read_factor}place)));
        before = now;
        now = next;
    }
    return (uint${value_bits}_t)(${base} + ${cut});
}

