
/* The register ${own}: ${register_words};
 * values ${least} to ${largest}, a step is ${step_words}.
 *
 *   A value of ${sign_words}.
 *   Clocks that are off by ${reach_words} can be put right;
 *   one that is off by more is put right as far as it goes, and saturated is 1.
 *   In numbers: the offset is ${example_ppt} ppt, so the clock is ${example_pace}; the values of four periods are
 *   ${example_values}, and the first word is ${example_word}.
 *   Call ${own}_start once. Then, each ${own_upper}_PERIOD_MS, call ${own}_update with the offset,
 *   once, and write what it returns into the register, where it holds for that period. What a value leaves over
 *   is carried to the next: over n periods the mean is off by ${step_words} / 2 / n at most, and the clock
 *   never by more than ${time_words} for this reason.
 *   rest is in 1 / ${parts} ppt. A value that was not written is not made good.
 */
#define ${own_upper}_PERIOD_MS (UINT32_C(${period_ms}))

typedef struct {
    int32_t value;
    int32_t rest;
    uint16_t word;
    uint8_t saturated;
} ${own}_t;

/* At start: nothing is left over. */
void ${own}_start(${own}_t *a);

/* A period begins: the register's word for it. offset_ppt > 0: the clock is fast. */
uint16_t ${own}_update(${own}_t *a, int32_t offset_ppt);
