
/// Word for a synthesiser: wanted / (1 + y), exact, to nearest.
pub const fn tuning_word(wanted: u32, offset_ppt: i32) -> u32 {
    let word = divided(wanted as u64, offset_ppt);
    if word > u32::MAX as u64 {
        u32::MAX
    } else {
        word as u32
    }
}
