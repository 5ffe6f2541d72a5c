//! Identification of the simulated module, so that no record of it is mistaken for one of real hardware.

use tripbench_rig::{Exception, Identification, IdentityObject};

/// Code of a request for a single object.
const SPECIFIC: u8 = 4;

/// The objects that answer Read Device Identification with this code (1 to 3 for a stream, 4 for a single object) and first
/// object. Only the basic objects exist.
///
/// # Errors
/// As in the standard (application protocol V1.1b3, 6.21): 03 for an unknown code, 02 for a single object that does not exist.
pub(crate) fn asked(code: u8, first: u8) -> Result<Vec<IdentityObject>, Exception> {
    let known = Identification::of_simulator(env!("CARGO_PKG_VERSION")).objects();
    let from = usize::from(first);
    match code {
        // A stream whose first object does not exist starts from the beginning.
        1..SPECIFIC => Ok(known.get(from..).filter(|left| !left.is_empty()).unwrap_or(&known).to_vec()),
        SPECIFIC => known.get(from).map(|object| vec![object.clone()]).ok_or(Exception::ILLEGAL_DATA_ADDRESS),
        _ => Err(Exception::ILLEGAL_DATA_VALUE),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::all(1, 0, Ok(vec![0, 1, 2]))]
    #[case::from_the_second_on(2, 1, Ok(vec![1, 2]))]
    #[case::begins_again(3, 9, Ok(vec![0, 1, 2]))]
    #[case::one(4, 2, Ok(vec![2]))]
    #[case::one_that_is_not_there(4, 3, Err(Exception::ILLEGAL_DATA_ADDRESS))]
    #[case::no_such_code(0, 0, Err(Exception::ILLEGAL_DATA_VALUE))]
    #[case::no_such_code(5, 0, Err(Exception::ILLEGAL_DATA_VALUE))]
    fn the_basic_objects_are_given_as_the_standard_has_it(
        #[case] code: u8,
        #[case] first: u8,
        #[case] expected: Result<Vec<u8>, Exception>,
    ) {
        let numbers = asked(code, first).map(|objects| objects.iter().map(|(number, _)| *number).collect());
        assert_eq!(numbers, expected);
    }

    #[test]
    fn it_says_that_it_is_the_simulator() {
        let objects = asked(1, 0).expect("the basic objects");
        assert!(Identification::of(&objects).is_some_and(|said| said.is_simulator()));
    }
}
