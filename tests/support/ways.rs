//! Variants of the demo's rig and scripts: ways of moving air, outputs, edge stamps, register layouts.

use crate::sheet_text;

/// The demo's rig with a regulator in front of its evacuation valve.
pub fn with_regulator() -> String {
    sheet_text("rigs/goods-in-1.toml").replacen("[run_limits]", REGULATOR, 1)
}

/// A regulator output, followed by the header of the next table, which the text replaces.
const REGULATOR: &str = "[[output]]\nname = \"regulator\"\nat = \"holding-register 0\"\nsafe = false\n\
                         counts = [0, 10000]\nvalues = [\"0 kPa\", \"100 kPa\"]\n\n[run_limits]";

/// The demo's rig without valves: a person moves the air by hand, and device power is the only output.
///
/// # Panics
/// If the demo's rig sheet has no `[[output]]` followed by `[run_limits]`.
pub fn by_hand() -> String {
    let rig = sheet_text("rigs/goods-in-1.toml");
    let (head, rest) = rig.split_once("[[output]]").expect("outputs");
    let (_, tail) = rest.split_once("[run_limits]").expect("limits of a run");
    format!("{head}[[output]]\nname = \"device-power\"\nat = \"coil 4\"\nsafe = false\n\n[run_limits]{tail}")
}

/// A script that finds the switch points in one way, with the zero and the leak checked before and after.
pub fn script(way: &str) -> String {
    format!(
        "name = \"{way}\"\nrevision = \"1\"\nstate = \"released\"\n\
         [[step]]\ndo = \"zero\"\n[[step]]\ndo = \"leak\"\n\
         [[step]]\ndo = \"switch-points\"\nway = \"{way}\"\n\
         [[step]]\ndo = \"leak\"\n[[step]]\ndo = \"zero\"\n"
    )
}

/// The demo's rig with hand-over outputs and a regulator in addition: every output but a loop.
pub fn with_everything() -> String {
    with_hand_over().replacen("[run_limits]", REGULATOR, 1)
}

/// A rig sheet without one of its outputs.
///
/// # Panics
/// If the sheet has no such output, or if no table follows it.
pub fn without_output(rig: &str, name: &str) -> String {
    let start = rig.find(&format!("[[output]]\nname = \"{name}\"\n")).expect("that output");
    let length = rig[start + 1..].find("\n[").expect("something after it") + 2;
    format!("{}{}", &rig[..start], &rig[start + length..])
}

/// The demo's rig with a scan interval of `scan_ms` and a module that stamps the edges of every input with its own clock.
pub fn stamping(tick: &str, scan_ms: u32) -> String {
    let interval = format!("scan_interval = \"{scan_ms} ms\"");
    let mut rig = sheet_text("rigs/goods-in-1.toml").replace("scan_interval = \"5 ms\"", &interval);
    let clock =
        format!("[module]\nclock = {{ at = \"input-register 20\", raw = \"u32\", tick = \"{tick}\" }}\n");
    rig = rig.replace("[module]\n", &clock);
    for input in 0..8 {
        let capture = format!("capture = {{ at = \"input-register {}\", raw = \"u32\" }}", 22 + 2 * input);
        let plain = format!("at = \"discrete-input {input}\" }}");
        rig = rig.replace(&plain, &format!("at = \"discrete-input {input}\", {capture} }}"));
    }
    rig
}

/// The demo's rig with a hand-over output for each position, with which its device drives the evacuation valve.
pub fn with_hand_over() -> String {
    let output = |position: u32| {
        let coil = 7 + position;
        format!(
            "[[output]]\nname = \"hand-over\"\nat = \"coil {coil}\"\nsafe = false\nposition = {position}\n\n"
        )
    };
    let outputs = [1, 2, 3, 4].map(output).concat();
    sheet_text("rigs/goods-in-1.toml").replacen("[run_limits]", &format!("{outputs}[run_limits]"), 1)
}

/// The demo's rig with an output that is looped to an input, for the rig check.
pub fn with_loop() -> String {
    let output = "[[output]]\nname = \"loop\"\nat = \"coil 5\"\nsafe = false\n\n[run_limits]";
    sheet_text("rigs/goods-in-1.toml").replacen("[run_limits]", output, 1).replacen(
        "[module]\n",
        "[module]\nlooped = { at = \"discrete-input 14\" }\n",
        1,
    )
}

/// The rig sheet with every signal and every output moved to holding registers.
pub fn in_holding_registers(rig: &str) -> String {
    let inputs = (0..16).rev().fold(rig.replace("input-register ", "holding-register "), |sheet, number| {
        sheet.replace(&format!("discrete-input {number}\""), &format!("holding-register 10 bit {number}\""))
    });
    (0..16).rev().fold(inputs, |sheet, number| {
        sheet.replace(&format!("coil {number}\""), &format!("holding-register 20 bit {number}\""))
    })
}

/// The rig sheet with a module that takes one output per write.
pub fn one_by_one(rig: &str) -> String {
    rig.replacen("unit = 1\n", "unit = 1\nwrites = \"one-by-one\"\n", 1)
}

/// The rig sheet with every input in holding registers, and each output as one whole holding register that `on` turns on.
pub fn in_whole_registers(rig: &str, on: u16) -> String {
    let outputs = (0..16).rev().fold(rig.to_owned(), |sheet, number| {
        let whole = format!("holding-register {}\"\non = {on}", 20 + number);
        sheet.replace(&format!("coil {number}\""), &whole)
    });
    in_holding_registers(&outputs)
}
