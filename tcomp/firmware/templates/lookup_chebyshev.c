int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    return ${symbol}_value(${symbol}_smooth((uint16_t)${symbol}_along(code)));
}
