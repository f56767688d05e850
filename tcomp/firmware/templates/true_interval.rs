
/// Interval behind what a counter shows: shown / (1 + y), exact, to nearest.
pub const fn true_interval(shown: i64, offset_ppt: i32) -> i64 {
    signed_value(divided(shown.unsigned_abs(), offset_ppt), shown < 0)
}
