/* The nearest entry; halfway between two, the upper one. */
int${value_bits}_t ${symbol}_lookup(${code_type} code)
{
    return ${upper}_READ(${symbol}_entries, ${symbol}_along(code) >> ${step_log2}u);
}
