/* ${symbol}_actuators.c
 *
${origin}
 * Do not edit. What it does and in which units: ${symbol}_actuators.h.
 */
#include "${symbol}_actuators.h"
${actuators}
int ${symbol}_actuators_selftest(void)
{
${calls}    return 0;
}
