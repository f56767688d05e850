
static uint16_t ${own}_word(int32_t value)
{
    return ${word};
}

void ${own}_start(${own}_t *a)
{
    a->value = ${first};
    a->rest = 0;
    a->word = ${own}_word(${first});
    a->saturated = 0u;
}

/* The quotient is found bit by bit: 64 bits are not divided. left is what is wanted above the least value. */
uint16_t ${own}_update(${own}_t *a, int32_t offset_ppt)
{
    const int64_t asked = (int64_t)offset_ppt * (${factor});
    int64_t wanted = asked;
    uint64_t left;
    uint64_t size = UINT64_C(${top});
    uint32_t bit = UINT32_C(${top_bit});
    uint32_t steps = 0u;

    if (wanted > INT64_C(${high})) {
        wanted = INT64_C(${high});
    }
    if (wanted < INT64_C(${low})) {
        wanted = INT64_C(${low});
    }
    a->saturated = (wanted != asked) ? 1u : 0u;
    left = (uint64_t)(((wanted - INT64_C(${low})) + a->rest) + INT64_C(${half}));
    while (bit != 0u) {
        if (left >= size) {
            left -= size;
            steps += bit;
        }
        size >>= 1u;
        bit >>= 1u;
    }
    a->value = (int32_t)steps + INT32_C(${least});
    a->rest = (int32_t)left - INT32_C(${half});
    a->word = ${own}_word(a->value);
    return a->word;
}
