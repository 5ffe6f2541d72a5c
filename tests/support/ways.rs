//! Rigs and scripts for every way of moving air.

use crate::sheet_text;

/// The demo's rig with a regulator in front of its evacuation valve.
pub fn with_regulator() -> String {
    let regulator = "[[output]]\nname = \"regulator\"\nat = \"holding-register 0\"\nsafe = false\n\
                     counts = [0, 10000]\nvalues = [\"0 kPa\", \"100 kPa\"]\n\n[interlocks]";
    sheet_text("rigs/goods-in-1.toml").replacen("[interlocks]", regulator, 1)
}

/// The demo's rig without a valve: a person pulls and lets in, the devices alone are powered.
///
/// # Panics
/// If the demo's rig has no outputs.
pub fn by_hand() -> String {
    let rig = sheet_text("rigs/goods-in-1.toml");
    let (head, rest) = rig.split_once("[[output]]").expect("outputs");
    let (_, tail) = rest.split_once("[interlocks]").expect("interlocks");
    format!("{head}[[output]]\nname = \"device-power\"\nat = \"coil 4\"\nsafe = false\n\n[interlocks]{tail}")
}

/// Goods-in with the switch points found in a way, and the leak watched before and after.
pub fn script(way: &str) -> String {
    format!(
        "name = \"{way}\"\nrevision = \"1\"\nstate = \"released\"\n\
         [[step]]\ndo = \"zero\"\n[[step]]\ndo = \"leak\"\n\
         [[step]]\ndo = \"switch-points\"\nway = \"{way}\"\n\
         [[step]]\ndo = \"leak\"\n[[step]]\ndo = \"zero\"\n"
    )
}

/// A rig sheet without one of its outputs.
///
/// # Panics
/// If it has no such output.
pub fn without_output(rig: &str, name: &str) -> String {
    let start = rig.find(&format!("[[output]]\nname = \"{name}\"\n")).expect("that output");
    let length = rig[start + 1..].find("\n[").expect("something after it") + 2;
    format!("{}{}", &rig[..start], &rig[start + length..])
}
