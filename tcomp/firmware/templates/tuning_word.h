
/* Word for a synthesiser clocked by this oscillator: wanted / (1 + y).
 * Exact for all arguments: nearest, ties upwards, held within a uint32_t. */
uint32_t ${symbol}_tuning_word(uint32_t wanted, int32_t offset_ppt);
