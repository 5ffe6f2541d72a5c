//! The simulated module on a wire in virtual time: request frames in, answer frames out.

use crate::bench::SimulatedBench;
use crate::rtu::{answered, sealed};
use tripbench_quantity::Mono;
use tripbench_rig::VirtualModule;

/// Framing of requests and answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Framing {
    /// Modbus TCP.
    Tcp,
    /// RTU, with its CRC.
    Rtu,
}

/// Bytes before the unit identifier of a Modbus TCP frame: transaction, protocol, length.
const BEFORE_UNIT: usize = 6;

impl Framing {
    /// A frame of this kind around unit identifier and PDU; `like` is the frame that it answers.
    pub fn framed(self, content: Vec<u8>, like: &[u8]) -> Vec<u8> {
        match self {
            Self::Rtu => sealed(content),
            Self::Tcp => {
                let length = u16::try_from(content.len()).unwrap_or(u16::MAX).to_be_bytes();
                [like.get(..4).unwrap_or(&[0; 4]), &length, &content].concat()
            }
        }
    }

    /// Unit identifier and PDU of a frame; `None` if it is too short.
    pub fn content(self, frame: &[u8]) -> Option<&[u8]> {
        match self {
            Self::Rtu => frame.get(..frame.len().checked_sub(2)?),
            Self::Tcp => frame.get(BEFORE_UNIT..),
        }
    }
}

impl SimulatedBench {
    /// The answer frame to a complete request frame at a time that never goes back; `None` for no answer.
    pub fn served(&mut self, at: Mono, framing: Framing, frame: &[u8]) -> Option<Vec<u8>> {
        let units = self.units.clone();
        // A Modbus TCP frame is converted to the RTU frame with the same content, so that one code reads both.
        let rtu = match framing {
            Framing::Rtu => frame.to_vec(),
            Framing::Tcp => sealed(framing.content(frame)?.to_vec()),
        };
        let answer = answered(&rtu, &units, |query| self.answer(at, query))?;
        match framing {
            Framing::Rtu => Some(answer),
            Framing::Tcp => Some(framing.framed(Framing::Rtu.content(&answer)?.to_vec(), frame)),
        }
    }

    /// The word of each output, in the order of the rig sheet.
    pub fn output_words(&self) -> Vec<u16> {
        self.outputs.iter().map(|driven| driven.word).collect()
    }

    /// Sets outputs at a time, as another master or a restarted module does: words in the order of the rig sheet, `None` to leave
    /// one unchanged.
    pub fn drive(&mut self, at: Mono, words: impl Iterator<Item = Option<u16>>) {
        self.advance_to(at.seconds());
        self.set_outputs(at.seconds(), words);
    }
}
