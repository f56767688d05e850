/* Looks up codes and does nothing else, so that all instructions outside _start are the lookup's. */
#include "${symbol}.h"

int32_t _start(uint32_t stride);

int32_t _start(uint32_t stride)
{
    volatile int32_t answer = 0;
    int32_t code;

    for (code = 0; code <= 65535; code += (int32_t)stride) {
        answer = ${symbol}_lookup((${code_type})(uint16_t)code);
    }
    return answer;
}
