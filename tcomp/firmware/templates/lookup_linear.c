/* Straight line between two entries, nearest integer, ties upwards; at a knot its entry exactly.
 * The entries are read ${bias_text} higher, so that all is unsigned: C leaves >> of negatives open.
 * The two weights add up to ${step}; the sum stays below 2^${wide_bits}. */
int${entry_bits}_t ${symbol}_lookup(${code_type} code)
{
    const uint32_t along = ${symbol}_along(code);
    const uint32_t knot = along >> ${step_log2}u;
    const uint32_t part = along & ${step_mask}u;
    uint${wide_bits}_t below;
    uint${wide_bits}_t above;
    uint${wide_bits}_t sum;

    if (part == 0u) {
        return ${symbol}_entries[knot];
    }
    below = (uint${wide_bits}_t)(${symbol}_entries[knot] + ${bias});
    above = (uint${wide_bits}_t)(${symbol}_entries[knot + 1u] + ${bias});
    sum = below * (UINT${wide_bits}_C(${step}) - part) + above * part + ${half}u;
    return (int${entry_bits}_t)((int${wide_bits}_t)(sum >> ${step_log2}u) - ${bias});
}
