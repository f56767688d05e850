/* Codes from the first knot to that with which each interval begins. */
static const ${along_type} ${symbol}_starts[${intervals}] = {
${starts}
};

/* 2^${reciprocal_bits} / length of each interval: a product with it stands for a division. */
static const uint16_t ${symbol}_reciprocals[${intervals}] = {
${reciprocals}
};

/* Halving finds the interval. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    const ${along_type} along = ${symbol}_along(code);
    uint16_t low = 0u;
    uint16_t high = ${intervals}u;
    uint32_t way;

    while ((uint16_t)(high - low) > 1u) {
        const uint16_t middle = (uint16_t)((low + high) >> 1u);

        if (${symbol}_starts[middle] <= along) {
            low = middle;
        } else {
            high = middle;
        }
    }
    way = (uint32_t)(uint16_t)(along - ${symbol}_starts[low]) * ${symbol}_reciprocals[low];
    return ${symbol}_between(low, (uint16_t)(way >> ${part_shift}u));
}
