
/* For ${symbol}_follow.c: predicted offset at parts of codes since the first of the range, in units of ${upper}_UNIT_PPT ppt.
 * A code has ${way_parts} parts; none beyond the range may be asked. */
int16_t ${symbol}_lookup_between(uint16_t place);
