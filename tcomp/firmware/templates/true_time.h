
/* The clock ${own}: how far it is off, since a mark at which it was right.
 *
 *   Ticks are the clock's own, of any length. Call ${own}_start at the mark. Then, as often as the
 *   temperature asks for, call ${own}_update with the offset and the ticks since the last update.
 *   ${own}_ahead is what the clock has gained, in 1 / ${parts} tick. Positive: it shows too much.
 *   True time is what it shows less ${own}_ahead(&a) / ${parts} ticks.
 *   In numbers: ${example_ticks} ticks at ${example_ppt} ppt; the clock is fast, and ahead is
 *   ${example_gained}, which is ${example_words} ticks.
 *   Each update is exact to half of 1 / ${parts} tick: a year of one each second adds less than 0.015 tick.
 *   The sum is held within 2^33 ticks.
 */
typedef struct {
    int64_t gained;
} ${own}_t;

/* The mark: the clock is right now. */
void ${own}_start(${own}_t *a);

/* So many ticks have passed since the last update, at this offset. offset_ppt > 0: the clock is fast. */
void ${own}_update(${own}_t *a, int32_t offset_ppt, uint32_t ticks);

/* What the clock has gained since its mark. [1 / ${parts} tick] */
int64_t ${own}_ahead(const ${own}_t *a);
