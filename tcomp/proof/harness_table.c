${corrected}

static void ${symbol}_proof(FILE *cases, FILE *results)
{
    int32_t code;
    uint32_t place;
    uint64_t which;
    uint64_t given;
    uint64_t offset;

    for (code = ${least_code}; code <= ${largest_code}; code++) {
        put(results, 4, (uint64_t)${symbol}_lookup((${code_type})code));
        put(results, 4, (uint64_t)${symbol}_offset_ppt((${code_type})code));
        put(results, 4, (uint64_t)${symbol}_in_range((${code_type})code));
    }
    for (place = 0u; place != ${cases}u; place++) {
        if (get(cases, 1, &which) && get(cases, 8, &given) && get(cases, 4, &offset)) {
            /* The 32 bits of an offset, widened with their sign. */
            const uint64_t widened = (offset ^ UINT64_C(0x80000000)) - UINT64_C(0x80000000);

            put(results, 8, ${symbol}_corrected(which, given, (int32_t)signed_of(widened)));
        }
    }
    put(results, 4, (uint64_t)${symbol}_selftest());
}
