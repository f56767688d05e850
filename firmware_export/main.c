/* Corrects a reading of the river gauge's timing board with the exported table.
 *
 *   cc -std=c99 *.c -o gauge07 && ./gauge07
 *
 * On the board, code comes from its sensor and shown from its counter; here both are made up.
 */
#include "gauge07.h"

#include <inttypes.h>
#include <stdio.h>

int main(void)
{
    const int16_t code = 16 * 31 + 8;                  /* 31.5 degC, in sixteenths */
    const int64_t shown_mhz = INT64_C(32768000000);    /* the gauge's float, as the board counted it */
    const int32_t offset_ppt = gauge07_offset_ppt(code);
    const int failed = gauge07_selftest();

    if (failed != 0) {
        printf("self-test: vector %d failed\n", failed);
        return 1;
    }
    printf("at 31.5 degC the oscillator is off by %" PRId32 " ppt%s\n", offset_ppt,
           (gauge07_in_range(code) != 0) ? "" : " (outside the table: nearest end)");
    printf("shown %" PRId64 " mHz, true %" PRId64 " mHz\n", shown_mhz, gauge07_true_frequency(shown_mhz, offset_ppt));
    printf("one hour as counted, 3600000000 us, lasted %" PRId64 " us\n",
           gauge07_true_interval(INT64_C(3600000000), offset_ppt));
    return 0;
}
