
void ${own}_start(${own}_t *a)
{
    a->gained = 0;
}

void ${own}_update(${own}_t *a, int32_t offset_ppt, uint32_t ticks)
{
    const int64_t shown = (int64_t)ticks * INT64_C(${parts});
    const int64_t more = shown - ${symbol}_true_interval(shown, offset_ppt);

    if ((more > 0) && (a->gained > (INT64_MAX - more))) {
        a->gained = INT64_MAX;
    } else if ((more < 0) && (a->gained < (INT64_MIN - more))) {
        a->gained = INT64_MIN;
    } else {
        a->gained += more;
    }
}

int64_t ${own}_ahead(const ${own}_t *a)
{
    return a->gained;
}
