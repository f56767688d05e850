#include "demo_readings.h"

/* Room temperature, both ends of the table, both flanks, and a step beyond each end. */
static const int16_t ramp[] = {319, -320, -8, 640, 959, -321, 960};

void demo_reading_at(int16_t code, struct reading *reading)
{
    reading->code = code;
    reading->shown_millihz = INT64_C(32768000000);   /* the gauge's float, 32.768 MHz */
    reading->counted_us = INT64_C(3600000000);   /* one hour between two dispatches */
}

int demo_reading_next(struct reading *reading)
{
    static uint8_t place;

    if (place >= (sizeof ramp / sizeof ramp[0])) {
        return 0;
    }
    demo_reading_at(ramp[place], reading);
    place++;
    return 1;
}

#define UPDATES          60u
#define CODES_A_MINUTE   16u
#define UPDATES_A_MINUTE 6u

int demo_update_next(int16_t *code)
{
    static uint8_t update;

    if (update >= UPDATES) {
        return 0;
    }
    *code = (int16_t)(ramp[0] + (int16_t)((update * CODES_A_MINUTE) / UPDATES_A_MINUTE));
    update++;
    return 1;
}
