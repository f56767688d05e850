
struct ${symbol}_${function}_vector {
    ${type} given;
    ${type} expected;
    int32_t offset_ppt;
};

static const struct ${symbol}_${function}_vector ${symbol}_${function}_vectors[${count}] = {
    /* given, expected, offset_ppt */
${vectors}
};

static int ${symbol}_wrong_${function}(void)
{
    int place;

    for (place = 0; place < ${count}; place++) {
        const struct ${symbol}_${function}_vector *const vector = &${symbol}_${function}_vectors[place];

        if (${symbol}_${function}(vector->given, vector->offset_ppt) != vector->expected) {
            return place + 1;
        }
    }
    return 0;
}
