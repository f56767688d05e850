
/// Frequency behind what a counter shows: shown * (1 + y), exact, to nearest.
pub const fn true_frequency(shown: i64, offset_ppt: i32) -> i64 {
    signed_value(multiplied(shown.unsigned_abs(), offset_ppt), shown < 0)
}
