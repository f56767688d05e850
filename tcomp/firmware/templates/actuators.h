/* ${symbol}_actuators.h
 *
${origin}
 * Do not edit: change the job and export again.
 *
 * What is steered by ${symbol}_offset_ppt, or by what follows a moving temperature.
 *
 * Integers only, no heap, no division. Each structure belongs to one caller; its members may be read.
 */
#ifndef ${upper}_ACTUATORS_H
#define ${upper}_ACTUATORS_H

#include "${symbol}.h"

#ifdef __cplusplus
extern "C" {
#endif
${actuators}
/* 0: all is well; else the number of the first actuator, counted from 1, that is not its specification. */
int ${symbol}_actuators_selftest(void);

#ifdef __cplusplus
}
#endif

#endif
