//! Who may operate the bench: the daemon's own user, root, and those whom the bench sheet names. Everybody may look and stop.

use rstest::rstest;
use serde_json::json;
use std::process::Command;
use tripbench_tests::command::{Simulated, quick};
use tripbench_tests::daemon::Daemon;

const RIG: &str = "goods-in-1";

/// Status of a request that another user of this machine makes.
fn status_for_nobody(daemon: &Daemon, method: &str, path: &str, body: &str) -> u16 {
    let host = daemon.base.trim_start_matches("http://");
    let (name, port) = host.split_once(':').expect("a port");
    let request = format!(
        "{method} {path} HTTP/1.1\\r\\nHost: {host}\\r\\nConnection: close\\r\\nContent-Type: application/json\\r\\nContent-Length: {}\\r\\n\\r\\n{body}",
        body.len()
    );
    let script = format!("exec 3<>/dev/tcp/{name}/{port}; printf '{request}' >&3; head -1 <&3");
    let output = Command::new("setpriv")
        .args(["--reuid", "65534", "--regid", "65534", "--clear-groups", "bash", "-c", &script])
        .output()
        .expect("setpriv");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    said.split_whitespace().nth(1).and_then(|status| status.parse().ok()).unwrap_or_else(|| {
        panic!("{said} {}", String::from_utf8_lossy(&output.stderr));
    })
}

/// Whether another user can be played here: only root can.
fn plays_others() -> bool {
    let is_root = rustix::process::geteuid().is_root();
    assert!(is_root || std::env::var_os("CI").is_none(), "this test wants root");
    is_root
}

#[rstest]
#[case::not_named("", false)]
#[case::another("users = [\"daemon\"]\n", false)]
#[case::by_name("users = [\"nobody\"]\n", true)]
#[case::by_number("users = [\"1000\", \"65534\"]\n", true)]
fn live_only_users_of_the_bench_mount_start_and_answer(#[case] users: &str, #[case] may: bool) {
    if !plays_others() {
        return;
    }
    let workplace = quick();
    let _rig = Simulated::start(&workplace);
    let rig = "[[rig]]\nsheet = \"rig.toml\"\ntype = \"type.toml\"\nsettings = \"settings.toml\"\nscript = \"script.toml\"\n";
    workplace.write("bench.toml", &format!("{users}listen = \"127.0.0.1:0\"\nruns = \"runs\"\n{rig}"));
    let daemon = Daemon::with(&workplace, "serve --bench bench.toml");
    daemon.until(RIG, |state| state["doing"] == "idle");
    let status = |method: &str, path: &str, body: &str| {
        status_for_nobody(&daemon, method, &format!("/api/v1/rigs/{RIG}/{path}"), body)
    };
    let round = json!({"revision": 0, "places": [{"position": 1, "serial": "A-1"}]}).to_string();
    let answer = json!({"run": "none", "question": 1, "answer": "yes"}).to_string();
    let start = json!({"revision": 1, "stops": 9}).to_string();
    // Allowed, each is looked at: mounted, refused for its number of stops, and for want of a question.
    assert_eq!(status("PUT", "round", &round), if may { 200 } else { 403 });
    assert_eq!(status("POST", "runs", &start), if may { 409 } else { 403 });
    assert_eq!(status("POST", "answer", &answer), if may { 409 } else { 403 });
    assert_eq!(daemon.rig(RIG)["round"]["revision"], u64::from(may));
    // Everybody may look, and everybody may stop.
    assert_eq!(status("GET", "watch-nothing", ""), 404);
    assert_eq!(status_for_nobody(&daemon, "GET", "/api/v1/rigs", ""), 200);
    let stops = daemon.rig(RIG)["stops"].as_u64();
    assert_eq!(status("POST", "stop", ""), 202);
    assert_eq!(daemon.rig(RIG)["stops"].as_u64(), stops.map(|stops| stops + 1));
    // The daemon's own user may do everything.
    let revision = daemon.mount(RIG, &[(2, "B-2")]);
    assert_eq!(revision, u64::from(may) + 1);
    // But the mounted round is judged by the rig's own sheets, as the page shows them.
    let settings = json!({"file": "wide.toml", "text": workplace.read("settings.toml")});
    for other in [json!({"settings": settings}), json!({"measure_only": true})] {
        let mut start = json!({"revision": revision});
        start.as_object_mut().expect("an object").extend(other.as_object().expect("an object").clone());
        let refused = daemon.begin(RIG, &start);
        assert_eq!((refused.status, refused.text.contains("own sheets")), (400, true), "{}", refused.text);
    }
}
