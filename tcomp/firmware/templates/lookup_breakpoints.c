/* Codes to that with which each interval begins, from the first of the range on, modulo 2^16. */
static const uint16_t ${symbol}_starts[${intervals}] ${upper}_MEMORY = {
${starts}
};

/* 2^${reciprocal_bits} / length of each interval: a product with it stands for a division. */
static const uint16_t ${symbol}_reciprocals[${intervals}] ${upper}_MEMORY = {
${reciprocals}
};

/* Halving finds the interval. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    const uint16_t along = (uint16_t)${symbol}_along(code);
    uint16_t low = 0u;
    uint16_t high = ${intervals}u;
    uint32_t way;

    while ((uint16_t)(high - low) > 1u) {
        const uint16_t middle = (uint16_t)((low + high) >> 1u);

        if (${upper}_WORD(${symbol}_starts, middle) <= along) {
            low = middle;
        } else {
            high = middle;
        }
    }
    way = (uint16_t)(along - ${upper}_WORD(${symbol}_starts, low));
    way *= ${upper}_WORD(${symbol}_reciprocals, low);
    return ${symbol}_between(${knot}, (uint16_t)(way >> ${part_shift}u));
}
