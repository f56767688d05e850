/* That of ${first_power} first. */
static const int16_t ${symbol}_coefficients[${coefficient_count}] ${upper}_MEMORY = {${coefficients}};

