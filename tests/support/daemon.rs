//! A daemon in a separate process, and requests to its API.

use crate::command::Workplace;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

/// A daemon; ended when dropped.
#[derive(Debug)]
pub struct Daemon {
    child: Child,
    /// Base URL: `http://127.0.0.1:port`.
    pub base: String,
}

/// An HTTP response.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Content type.
    pub kind: String,
    /// The body.
    pub text: String,
}

impl Answer {
    /// The body as JSON.
    ///
    /// # Panics
    /// If it is not JSON.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).expect("JSON")
    }
}

/// Bench sheet for the workplace's only rig.
const BENCH: &str = "listen = \"127.0.0.1:0\"\nruns = \"runs\"\n\n[[rig]]\nsheet = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscript = \"script.toml\"\n";

impl Daemon {
    /// Serves the workplace's rig on a free port.
    ///
    /// # Panics
    /// If it does not start.
    pub fn start(workplace: &Workplace) -> Self {
        workplace.write("bench.toml", BENCH);
        Self::with(workplace, "serve --bench bench.toml --log json")
    }

    /// Starts a daemon with these arguments of `tripbench`.
    ///
    /// # Panics
    /// If it does not start.
    pub fn with(workplace: &Workplace, words: &str) -> Self {
        Self::of(workplace, workplace.command(words))
    }

    /// Starts a daemon with a prepared command.
    ///
    /// # Panics
    /// If it does not start.
    pub fn of(workplace: &Workplace, mut command: Command) -> Self {
        let log = std::fs::File::create(workplace.folder.join("daemon.log")).expect("a log");
        let mut child = command.stdout(Stdio::piped()).stderr(log).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("output")).read_line(&mut line).expect("a line");
        let base = line.split_whitespace().find(|word| word.starts_with("http://")).expect("an address");
        let base = base.trim_end_matches('/').to_owned();
        Self { child, base }
    }

    /// Process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Sends the daemon a signal.
    ///
    /// # Panics
    /// If the process does not exist.
    pub fn signal(&self, signal: Signal) {
        let id = i32::try_from(self.id()).expect("a process number");
        kill_process(Pid::from_raw(id).expect("a process"), signal).expect("it takes it");
    }

    /// Whether the daemon has ended.
    ///
    /// # Panics
    /// If its state cannot be read.
    pub fn has_ended(&mut self) -> bool {
        self.child.try_wait().expect("a process").is_some()
    }

    /// Puts devices at positions of a rig and starts a run; the response to the start.
    ///
    /// # Panics
    /// If the round is refused.
    pub fn start_round(&self, rig: &str, serials: &[(u8, &str)]) -> Answer {
        let revision = self.mount(rig, serials);
        self.begin(rig, &json!({"revision": revision}))
    }

    /// Starts a run; `what` is the request body, to which the rig's present stop count is added.
    pub fn begin(&self, rig: &str, what: &Value) -> Answer {
        let mut body = what.clone();
        body["stops"] = self.rig(rig)["stops"].clone();
        self.send("POST", &format!("/api/v1/rigs/{rig}/runs"), &body)
    }

    /// Puts devices at positions of a rig; the new revision of the round.
    ///
    /// # Panics
    /// If the round is refused.
    pub fn mount(&self, rig: &str, serials: &[(u8, &str)]) -> u64 {
        let revision = self.rig(rig)["round"]["revision"].as_u64().expect("a revision");
        let place = |(position, serial): &(u8, &str)| json!({"position": position, "serial": serial});
        let places: Vec<Value> = serials.iter().map(place).collect();
        let body = json!({"revision": revision, "places": places});
        let answer = self.send("PUT", &format!("/api/v1/rigs/{rig}/round"), &body);
        assert_eq!(answer.status, 200, "{}", answer.text);
        answer.json()["revision"].as_u64().expect("a revision")
    }

    /// Waits for the end of the daemon.
    ///
    /// # Panics
    /// If its state cannot be read.
    pub fn wait(&mut self) -> ExitStatus {
        self.child.wait().expect("it ends")
    }

    /// Sends a GET request.
    pub fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, &[], None)
    }

    /// Sends a request with a JSON body.
    pub fn send(&self, method: &str, path: &str, body: &Value) -> Answer {
        self.ask(method, path, &[("content-type", "application/json")], Some(&body.to_string()))
    }

    /// Sends any request.
    ///
    /// # Panics
    /// If there is no response within 20 s.
    pub fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: Option<&str>) -> Answer {
        let agent: ureq::Agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .allow_non_standard_methods(true)
            .timeout_global(Some(Duration::from_secs(20)))
            .build()
            .into();
        let mut request = ureq::http::Request::builder().method(method).uri(format!("{}{path}", self.base));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let request = request.body(body.unwrap_or_default().to_owned()).expect("a request");
        let mut response = agent.run(request).expect("an answer");
        let kind = response.headers().get("content-type").and_then(|kind| kind.to_str().ok());
        Answer {
            status: response.status().as_u16(),
            kind: kind.unwrap_or_default().to_owned(),
            text: response.body_mut().read_to_string().unwrap_or_default(),
        }
    }

    /// Requests a stream that is never read.
    ///
    /// # Panics
    /// If the daemon accepts no connection.
    pub fn stream_unread(&self, path: &str) -> TcpStream {
        let host = self.base.trim_start_matches("http://");
        let mut stream = TcpStream::connect(host).expect("it listens");
        write!(stream, "GET {path} HTTP/1.1\r\nHost: {host}\r\n\r\n").expect("it takes a request");
        stream
    }

    /// State of a rig as JSON.
    pub fn rig(&self, name: &str) -> Value {
        self.get(&format!("/api/v1/rigs/{name}")).json()
    }

    /// Waits until the state of a rig meets a condition; that state.
    ///
    /// # Panics
    /// If 900 polls, 100 ms apart, do not meet it.
    pub fn until(&self, name: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        const TRIES: u32 = 900;
        let mut state = Value::Null;
        for _ in 0..TRIES {
            state = self.rig(name);
            if wanted(&state) {
                return state;
            }
            #[expect(clippy::disallowed_methods, reason = "waits for another process")]
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("condition not met after 900 polls: {state}")
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Serves in place of a daemon, on this machine; `answer` gives status and body for the first line of a request. Returns the base address.
///
/// # Panics
/// If no port is free.
pub fn in_place_of_a_daemon(answer: impl Fn(&str) -> (&'static str, Value) + Send + 'static) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let base = format!("http://{}", listener.local_addr().expect("an address"));
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let mut line = String::new();
            let _cut = BufReader::new(&stream).read_line(&mut line);
            let (status, body) = answer(&line);
            let body = body.to_string();
            let head =
                format!("HTTP/1.1 {status}\r\nconnection: close\r\ncontent-length: {}\r\n\r\n", body.len());
            let _gone = stream.write_all(format!("{head}{body}").as_bytes());
        }
    });
    base
}
