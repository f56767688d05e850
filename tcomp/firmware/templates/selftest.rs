
// Test vectors, checked by the compiler.
#[rustfmt::skip]
const _: () = {
${checks}
};
