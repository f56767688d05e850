/* ${symbol}_follow.h
 *
${origin}
 * Do not edit: change the job and export again.
 *
 * The crystal is not as warm as its sensor while the temperature changes. These functions follow it.
 *
${follow_words}
 *
 * Use
 *   Call ${symbol}_follow_start once, with the first code. Then every ${update_words} call
 *   ${symbol}_follow_offset_ppt with the sensor's code, once, whether the temperature changes or not.
 *   Where an update was missed, or the sensor failed, call ${symbol}_follow_missed_ppt with the number of
 *   updates that had no code: the last code holds, and the offset settles to what the plain table says of it.
 *   A failed sensor is for the caller to notice; codes beyond the table are held at its ends.
 *   At a constant code the filter settles, and the offset is ${symbol}_offset_ppt(code) for ever${but_loop}.
 *
 * Integers only, no heap, no division, no loop but over missed updates; a multiplication for each time
 * constant, and one for the way from code to code${loop_product}. Each structure belongs to one caller: where an
 * interrupt updates it, the others read a copy of the offset that it stored, and on a processor of 8 or
 * 16 bits they copy it with that interrupt held off.
 */
#ifndef ${upper}_FOLLOW_H
#define ${upper}_FOLLOW_H

#include "${symbol}.h"

#ifdef __cplusplus
extern "C" {
#endif

#define ${upper}_UPDATE_MS     (UINT32_C(${update_ms}))
#define ${upper}_FINE_PER_CODE (${fine_per_code})

/* The state, ${state_bytes} bytes: start it, and leave its members alone. All count from the first code of the range. */
typedef struct {
${members}
} ${symbol}_follow_t;

/* Power-up: the crystal is as warm as its sensor${middle}. */
void ${symbol}_follow_start(${symbol}_follow_t *f, ${code_type} code);

/* An update: predicted offset now. [ppt] */
int32_t ${symbol}_follow_offset_ppt(${symbol}_follow_t *f, ${code_type} code);

/* So many updates without a code: predicted offset now. [ppt] */
int32_t ${symbol}_follow_missed_ppt(${symbol}_follow_t *f, uint16_t updates);

/* The crystal's temperature, held within the table's range. [codes / ${upper}_FINE_PER_CODE] */
int32_t ${symbol}_follow_fine_code(const ${symbol}_follow_t *f);

#ifdef __cplusplus
}
#endif

#endif
