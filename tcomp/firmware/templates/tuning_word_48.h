
/* Word of 48 bits for a synthesiser clocked by this oscillator: wanted / (1 + y), from 0 to 2^48 - 1.
 * Also a ratio a + f / 2^n of a fractional-N loop, as the integer a * 2^n + f.
 * Exact for all words: nearest, ties upwards, held within 48 bits. */
int64_t ${symbol}_tuning_word_48(int64_t wanted, int32_t offset_ppt);
