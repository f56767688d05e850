
int32_t ${symbol}_offset_ppt(${code_type} code)
{
    return (int32_t)${symbol}_lookup(code) * ${upper}_UNIT_PPT;
}

int ${symbol}_in_range(${code_type} code)
{
    const int32_t asked = code;

    return ((asked >= ${upper}_LOW_CODE) && (asked <= ${upper}_HIGH_CODE)) ? 1 : 0;
}
