/* Runs calls on an emulated processor without an operating system, in its memory. */
#include <stdint.h>

uint16_t ${symbol}_proof_which[${count}];
uint16_t ${symbol}_proof_bits[${count}];
int32_t ${symbol}_proof_answer[${count}];

int32_t ${symbol}_proof_call(uint16_t which, uint16_t bits);
int _start(void);

int _start(void)
{
    uint32_t place;

    for (place = 0u; place < ${count}u; place++) {
        ${symbol}_proof_answer[place] = ${symbol}_proof_call(${symbol}_proof_which[place], ${symbol}_proof_bits[place]);
    }
    return 0;
}
