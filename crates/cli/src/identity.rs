//! Which device is where: from the command line; the same serial number twice needs a confirmation.

use crate::args::DeviceOptions;
use crate::prompt;
use anyhow::{Result, bail};
use std::collections::BTreeMap;
use tripbench_record::{Identity, IdentityHow, PositionPlan, own_number};
use tripbench_rig::RigSheet;
use tripbench_sheet::identifying;

/// Most characters of a serial number or a name.
const LONGEST: usize = 80;

/// The positions that take part, with the identity of each device.
pub(crate) fn positions(
    options: &DeviceOptions,
    serials: &[String],
    rig: &RigSheet,
    stamp: &str,
) -> Result<Vec<PositionPlan>> {
    let mut taken: BTreeMap<u8, Identity> = BTreeMap::new();
    let numbers: Vec<u8> = rig.positions.iter().map(|position| *position.number).collect();
    if serials.len() > numbers.len() {
        bail!(
            "{} serial numbers were given, but the rig `{}` has {} positions",
            serials.len(),
            rig.header.name.value,
            numbers.len()
        );
    }
    let in_order = numbers.iter().copied().zip(serials);
    let in_order = in_order.map(|(number, text)| Ok((number, serial(text)?)));
    for (number, serial) in
        in_order.chain(options.serial.iter().map(|text| pair(text))).collect::<Result<Vec<_>>>()?
    {
        if !numbers.contains(&number) {
            let all: Vec<String> = numbers.iter().map(u8::to_string).collect();
            bail!(
                "there is no position {number}: the rig `{}` has positions {}",
                rig.header.name.value,
                all.join(", ")
            );
        }
        if taken.contains_key(&number) {
            bail!("position {number} has two serial numbers");
        }
        taken.insert(number, Identity { serial, how: IdentityHow::ByOperator });
    }
    ask_about_repeats(&taken)?;
    if options.no_serial {
        for number in numbers {
            taken.entry(number).or_insert_with(|| Identity {
                serial: own_number(stamp, number),
                how: IdentityHow::OwnNumber,
            });
        }
    }
    if taken.is_empty() {
        bail!(
            "no device: give serial numbers (`--serial 1=7731-017`), or --no-serial for devices without one"
        );
    }
    Ok(taken.into_iter().map(|(number, identity)| PositionPlan { number, identity }).collect())
}

/// Parses `POSITION=NUMBER`.
fn pair(text: &str) -> Result<(u8, String)> {
    let Some((number, given)) = text.split_once('=') else {
        bail!("--serial: expected POSITION=NUMBER, such as 1=7731-017, found `{text}`")
    };
    let Ok(number) = number.trim().parse() else {
        bail!("--serial {text}: `{number}` is not a position number")
    };
    Ok((number, serial(given)?))
}

/// A serial number as it is taken in.
fn serial(text: &str) -> Result<String> {
    match identifying(text, LONGEST) {
        Ok(serial) => Ok(serial.to_owned()),
        Err(why) => bail!("the serial number `{text}` {why}"),
    }
}

/// The names of the operators as they are taken in.
pub(crate) fn operators(given: &[String]) -> Result<Vec<String>> {
    let operator = |text: &String| match identifying(text, LONGEST) {
        Ok(operator) => Ok(operator.to_owned()),
        Err(why) => bail!("--operator `{text}` {why}"),
    };
    given.iter().map(operator).collect()
}

/// Asks before it accepts the same number twice in a round.
fn ask_about_repeats(taken: &BTreeMap<u8, Identity>) -> Result<()> {
    for (number, identity) in taken {
        let earlier = taken.range(..number).find(|(_, other)| other.serial == identity.serial);
        let Some((earlier, _)) = earlier else { continue };
        let question = format!(
            "Serial {} is given for position {earlier} and position {number}. Is that right? (yes/no)",
            identity.serial
        );
        if !prompt::yes(&question) {
            bail!("serial {} is given for position {earlier} and position {number}", identity.serial);
        }
    }
    Ok(())
}
