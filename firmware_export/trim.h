/* trim.h
 *
 * The base: what one comparison with a trusted reference adds to the table, because ageing moves the curve as a whole.
 *
 * Sign as everywhere (IEEE Std 1139): a positive offset is a fast oscillator, so a positive base is an oscillator that
 * runs faster than its table says. The base is kept with the mark of the table it was measured against: a new table
 * comes with a base of its own, and the old one must not be added to it.
 */
#ifndef TRIM_H
#define TRIM_H

#include <stdint.h>

/* a + b, held within an int32_t. */
int32_t trim_sum_ppt(int32_t a_ppt, int32_t b_ppt);

/* measured - predicted, held within an int32_t: the base. */
int32_t trim_base_ppt(int32_t measured_ppt, int32_t predicted_ppt);

/* 1: a base is stored for the table of this mark. 0: none, or it is damaged; the base is 0. */
int trim_read(uint32_t mark, int32_t *base_ppt);

/* Store a base. If the power fails meanwhile, none is stored: compare again. */
void trim_write(uint32_t mark, int32_t base_ppt);

#endif
