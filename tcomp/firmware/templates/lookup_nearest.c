/* The nearest entry; halfway between two, the upper one. */
int${entry_bits}_t ${symbol}_lookup(int16_t code)
{
    return ${symbol}_entries[${symbol}_along(code) >> ${step_log2}u];
}
