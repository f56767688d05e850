
/* Frequency behind what a counter on this oscillator shows: shown * (1 + y).
 * Any unit. Exact for all arguments: nearest, ties away from zero, held within an int64_t. */
int64_t ${symbol}_true_frequency(int64_t shown, int32_t offset_ppt);
