
struct ${symbol}_${function}_vector {
    ${type} given;
    ${type} expected;
    int32_t offset_ppt;
};

static const struct ${symbol}_${function}_vector ${symbol}_${function}_vectors[${count}] ${upper}_VECTORS = {
    /* given, expected, offset_ppt */
${vectors}
};

static int ${symbol}_wrong_${function}(void)
{
    struct ${symbol}_${function}_vector vector;
    int place;

    for (place = 0; place < ${count}; place++) {
        ${upper}_FETCH(vector.given, ${symbol}_${function}_vectors[place].given);
        ${upper}_FETCH(vector.expected, ${symbol}_${function}_vectors[place].expected);
        ${upper}_FETCH(vector.offset_ppt, ${symbol}_${function}_vectors[place].offset_ppt);
        if (${symbol}_${function}(vector.given, vector.offset_ppt) != vector.expected) {
            return place + 1;
        }
    }
    return 0;
}
