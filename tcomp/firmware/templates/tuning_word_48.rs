
/// Word of 48 bits for a synthesiser, 0 to 2^48 - 1: wanted / (1 + y), exact, to nearest.
pub const fn tuning_word_48(wanted: i64, offset_ppt: i32) -> i64 {
    let word = divided(wanted.unsigned_abs(), offset_ppt);
    if word > 0xFFFF_FFFF_FFFF {
        0xFFFF_FFFF_FFFF
    } else {
        word as i64
    }
}
