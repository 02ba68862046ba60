#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| poolproof_fuzz::seals(data));
