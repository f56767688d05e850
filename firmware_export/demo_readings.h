/* demo_readings.h
 *
 * Made-up readings, the same on all machines. A board of your own reads its sensor and its counter instead.
 */
#ifndef DEMO_READINGS_H
#define DEMO_READINGS_H

#include "board.h"

/* What the counter would show at this code. */
void demo_reading_at(int16_t code, struct reading *reading);

/* 1: the next reading of a fixed ramp. 0: the ramp is over. */
int demo_reading_next(struct reading *reading);

/* 1: the next code of a sensor that warms by 1 degC a minute, one each 10 s. 0: it is warm. */
int demo_update_next(int16_t *code);

#endif
