
struct ${symbol}_follow_vector {
    int32_t expected;
    ${code_type} code;
};

static const struct ${symbol}_follow_vector ${symbol}_follow_vectors[${count}] ${upper}_VECTORS = {
    /* offset_ppt, code */
${vectors}
};

static int ${symbol}_wrong_follow(void)
{
    struct ${symbol}_follow_vector vector;
    ${symbol}_follow_t state;
    int place;

    ${upper}_FETCH(vector.code, ${symbol}_follow_vectors[0].code);
    ${symbol}_follow_start(&state, vector.code);
    for (place = 0; place < ${count}; place++) {
        ${upper}_FETCH(vector.expected, ${symbol}_follow_vectors[place].expected);
        ${upper}_FETCH(vector.code, ${symbol}_follow_vectors[place].code);
        if (${symbol}_follow_offset_ppt(&state, vector.code) != vector.expected) {
            return place + 1;
        }
    }
    return 0;
}
