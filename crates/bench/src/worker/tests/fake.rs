//! A Modbus TCP module for tests: outputs that read back as they were written, and inputs at rest.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};

/// How it answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answers {
    /// To every request, as it should.
    Well,
    /// So too, but this output stays open.
    Stuck(usize),
    /// Every request is refused with this exception.
    Refusal(u8),
    /// It takes requests and answers nothing.
    Nothing,
}

/// Its state: how it answers, and its coils.
type State = Arc<Mutex<(Answers, [bool; 16])>>;

pub(super) struct Fake {
    pub(super) address: SocketAddr,
    state: State,
}

impl Fake {
    /// Serves until the test ends. The vent is open, and every other valve is shut.
    pub(super) fn start(answers: Answers) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = listener.local_addr().expect("an address");
        let mut coils = [false; 16];
        coils[3] = true;
        let state = State::new(Mutex::new((answers, coils)));
        let served = Arc::clone(&state);
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let state = Arc::clone(&served);
                std::thread::spawn(move || while serve(&stream, &state).is_some() {});
            }
        });
        Self { address, state }
    }

    pub(super) fn set(&self, answers: Answers) {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).0 = answers;
    }
}

/// Answers a request (application protocol V1.1b3, clause 6); `None` once the connection has ended.
fn serve(mut stream: &TcpStream, state: &State) -> Option<()> {
    let mut header = [0; 7];
    stream.read_exact(&mut header).ok()?;
    let mut request = vec![0; usize::from(u16::from_be_bytes([header[4], header[5]])) - 1];
    stream.read_exact(&mut request).ok()?;
    let mut state = state.lock().unwrap_or_else(PoisonError::into_inner);
    let (answers, coils) = &mut *state;
    let answer = match *answers {
        Answers::Nothing => return Some(()),
        Answers::Refusal(code) => vec![request[0] | 0x80, code],
        Answers::Well => answer(&request, coils)?,
        Answers::Stuck(output) => {
            let said = answer(&request, coils)?;
            // Open is the other way round for the vent.
            coils[output] = output != 3;
            if request[0] == 1 { answer_read(&request, coils) } else { said }
        }
    };
    drop(state);
    let length = u16::try_from(answer.len() + 1).ok()?.to_be_bytes();
    let frame = [&header[..4], &length, &header[6..], &answer].concat();
    stream.write_all(&frame).ok()
}

fn answer(request: &[u8], coils: &mut [bool; 16]) -> Option<Vec<u8>> {
    let word = |at: usize| usize::from(u16::from_be_bytes([request[at], request[at + 1]]));
    let (start, count) = (word(1), word(3));
    match request[0] {
        1 => Some(answer_read(request, coils)),
        // All plugs are in.
        2 => Some(bits(2, start, count, |input| (8..12).contains(&input))),
        // 4 mA at the reference.
        4 => {
            let words = (start..start + count)
                .flat_map(|input| if input == 0 { 4_000_u16 } else { 500 }.to_be_bytes());
            Some([4, u8::try_from(2 * count).ok()?].into_iter().chain(words).collect())
        }
        15 => {
            for offset in 0..count {
                coils[start + offset] = request[6 + offset / 8] >> (offset % 8) & 1 == 1;
            }
            Some(request[..5].to_vec())
        }
        _ => None,
    }
}

fn answer_read(request: &[u8], coils: &[bool; 16]) -> Vec<u8> {
    let word = |at: usize| usize::from(u16::from_be_bytes([request[at], request[at + 1]]));
    bits(1, word(1), word(3), |coil| coils[coil])
}

fn bits(function: u8, start: usize, count: usize, of: impl Fn(usize) -> bool) -> Vec<u8> {
    let mut bytes = vec![0; count.div_ceil(8)];
    for offset in 0..count {
        bytes[offset / 8] |= u8::from(of(start + offset)) << (offset % 8);
    }
    let length = u8::try_from(bytes.len()).unwrap_or(u8::MAX);
    [function, length].into_iter().chain(bytes).collect()
}
