${corrected}

static int32_t ${symbol}_proof(void)
{
    int32_t code;
    uint32_t place;

    for (code = ${least_code}; code <= ${largest_code}; code++) {
        place = (uint32_t)(code - (${least_code}));
        proof_lookup[place] = ${symbol}_lookup((${code_type})code);
        proof_offset_ppt[place] = ${symbol}_offset_ppt((${code_type})code);
        proof_in_range[place] = ${symbol}_in_range((${code_type})code);
    }
    for (place = 0u; place != ${cases}u; place++) {
        proof_corrected[place] = ${symbol}_corrected(proof_which[place], proof_given[place], proof_case_offset[place]);
    }
    return ${symbol}_selftest();
}
