use super::*;
use crate::address::{Area, PointAddress};
use crate::scan::Block;
use crate::signal::{ActiveState, AnalogSignal, RawType, WordOrder};
use rstest::rstest;
use tripbench_sheet::{At, Place, Source};

fn at(area: Area, number: u16) -> At<PointAddress> {
    At {
        value: PointAddress { unit: None, area, number, bit: None },
        place: Place { source: Source::new("", ""), range: 0..0 },
    }
}

fn loop_input() -> AnalogInput<VacuumLevel> {
    AnalogInput {
        at: at(Area::InputRegister, 0),
        raw: RawType::Signed16,
        word_order: WordOrder::HighFirst,
        signal: AnalogSignal::LiveZero,
        counts: [4_000.0, 20_000.0],
        values: [VacuumLevel::ZERO, VacuumLevel::new(100e3)],
        step: None,
    }
}

fn read(microampere: u16) -> Result<f64, AnalogFault> {
    let decoder = Decoder::new(ReadPlan::covering([(None, Area::InputRegister, 0)], 0));
    let scan = Scan { blocks: [Block { span: Span::default(), words: vec![microampere] }].into() };
    decoder.analog(&scan, &loop_input()).map(|read| read.value.si())
}

// NAMUR NE 43: 3.8 to 20.5 mA is the measuring range, up to 3.6 and from 21.0 mA a failure, and between them neither.
#[rstest]
#[case(3_800, Some(-1_250.0))]
#[case(12_000, Some(50_000.0))]
#[case(20_500, Some(103_125.0))]
#[case(3_799, None)]
#[case(3_600, None)]
#[case(0, None)]
#[case(20_501, None)]
#[case(21_000, None)]
fn the_loop_current_is_believed_only_in_the_measuring_range_of_ne_43(
    #[case] microampere: u16,
    #[case] pascal: Option<f64>,
) {
    match (read(microampere), pascal) {
        (Ok(level), Some(expected)) => assert!((level - expected).abs() < 1e-9, "{level}"),
        (Err(_), None) => {}
        other => panic!("{other:?}"),
    }
}

#[rstest]
#[case(RawType::Unsigned16, WordOrder::HighFirst, &[0xFFFE], 65_534.0)]
#[case(RawType::Signed16, WordOrder::HighFirst, &[0xFFFE], -2.0)]
#[case(RawType::Signed32, WordOrder::HighFirst, &[0xFFFF, 0xFFFE], -2.0)]
#[case(RawType::Unsigned32, WordOrder::LowFirst, &[0x0001, 0x0002], 131_073.0)]
#[case(RawType::Float32, WordOrder::HighFirst, &[0x4270, 0x0000], 60.0)]
#[case(RawType::Float32, WordOrder::LowFirst, &[0x0000, 0x4270], 60.0)]
fn raw_numbers_are_read_in_every_type_and_order(
    #[case] raw: RawType,
    #[case] order: WordOrder,
    #[case] words: &[u16],
    #[case] number: f64,
) {
    assert_eq!(raw.number(words, order), Some(number));
}

#[test]
fn active_low_and_register_bits_are_turned_to_states() {
    let mut input = DigitalInput {
        at: at(Area::DiscreteInput, 0),
        active: ActiveState::Low,
        counter: None,
        capture: None,
    };
    assert!(input.state(0) && !input.state(1));
    input.at.value.bit = Some(3);
    input.active = ActiveState::High;
    assert!(input.state(0b1000) && !input.state(0b0111));
}
