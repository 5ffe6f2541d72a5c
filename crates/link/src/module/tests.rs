//! Modules, looked up and locked.

use super::*;
use crate::line::Line;
use crate::transport::Transport;
use rstest::rstest;
use std::cell::Cell;
use std::fs::remove_file;
use std::io::ErrorKind;
use std::net::TcpListener;
use std::os::unix::fs::symlink;
use std::sync::atomic::{AtomicU32, Ordering};
use tripbench_rig::{Area, Query, Request, RigSheet};
use tripbench_sheet::{Findings, Source, read_sheet};

const TCP: &str = "tcp = \"127.0.0.1:1502\"";

fn link(keys: &str) -> LinkSheet {
    let text = include_str!("../../../../bench-scripts/rigs/goods-in-1.toml").replace("150 ms", "20 ms");
    let text = text.replace(TCP, keys);
    let rig = read_sheet(&Source::new("rig.toml", text.as_str()), &Findings::new(), RigSheet::read);
    rig.expect("a sheet").link
}

/// A module whose host has these addresses.
fn at(addresses: &str) -> Module {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    let number = NEXT.fetch_add(1, Ordering::SeqCst);
    named(&format!("module-{}-{number}.example:1502", std::process::id()), addresses)
}

/// A module whose sheet has this host name, which leads to these addresses.
fn named(name: &str, addresses: &str) -> Module {
    let all = addresses.split(' ').map(|one| one.parse().expect("an address")).collect();
    Module::looked_up(&link(&format!("tcp = \"{name}\"")), |_| Ok(all)).expect("a module")
}

fn at_port(path: &std::path::Path) -> Module {
    Module::of(&link(&format!("serial = \"{}\"\nbaud = 19200", path.display()))).expect("a module")
}

fn listener() -> TcpListener {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.set_nonblocking(true).expect("a listener");
    listener
}

/// `192.0.2.0/24` and `2001:db8::/32` are for documentation (RFC 5737, RFC 3849).
#[rstest]
#[case::another_name("192.0.2.7:501", "192.0.2.7:501", true)]
#[case::one_address_of_two("[2001:db8::7]:502 192.0.2.7:502", "192.0.2.7:502", true)]
#[case::in_another_order("192.0.2.7:503 192.0.2.8:503", "192.0.2.8:503 192.0.2.7:503", true)]
#[case::written_as_ipv6("[::ffff:192.0.2.7]:504", "192.0.2.7:504", true)]
#[case::this_computer("[::1]:505", "127.0.0.1:505", true)]
#[case::this_computer_unspecified("0.0.0.0:506", "[::]:506", true)]
#[case::another_port("192.0.2.7:507", "192.0.2.7:5070", false)]
#[case::another_host("192.0.2.7:508", "192.0.2.8:508", false)]
#[case::another_loopback("127.0.0.1:509", "127.0.0.2:509", false)]
#[case::another_interface("[fe80::1%1]:510", "[fe80::1%2]:510", false)]
fn a_host_by_any_name_is_one_module(#[case] one: &str, #[case] other: &str, #[case] same: bool) {
    let (one, other) = (at(one), at(other));
    assert_eq!(one.common_name(&other).is_some(), same);
    let held = one.lock().expect("free");
    assert_eq!(other.lock().is_err(), same);
    // What the refused one had taken by then is free again.
    drop(held);
    drop(one.lock().expect("free again"));
    drop(other.lock().expect("free again"));
}

/// A resolver may give a part of the addresses of a name at a time.
#[rstest]
#[case::same_name("a.example:511", "a.example:511", true)]
#[case::written_otherwise("b.example:512", "B.Example.:512", true)]
#[case::another_port("c.example:513", "c.example:5130", false)]
#[case::another_name("d.example:514", "e.example:514", false)]
fn a_host_name_is_one_module_whatever_addresses_it_gives(
    #[case] one: &str,
    #[case] other: &str,
    #[case] same: bool,
    #[values("192.0.2.9", "192.0.2.10 192.0.2.11")] first: &str,
) {
    // Cases may run at once: each has names and ports of its own.
    let (_, port) = one.split_once(':').expect("a port");
    let port = format!(":{port}{}", first.len());
    let at = |addresses: &str| addresses.replace(' ', &format!("{port} ")) + &port;
    let [one, other] = [one, other].map(|name| format!("n{}.{name}", first.len()));
    let (one, other) = (named(&one, &at(first)), named(&other, &at("192.0.2.12")));
    assert_eq!(one.common_name(&other).is_some(), same);
    let _held = one.lock().expect("free");
    assert_eq!(other.lock().is_err(), same);
}

#[rstest]
#[case::this_computer("127.0.0.1:520", true)]
#[case::this_computer_by_another_loopback("127.0.0.2:520", true)]
#[case::this_computer_ipv6("[::1]:520", true)]
#[case::this_computer_mapped("[::ffff:127.0.0.1]:520", true)]
#[case::unspecified("0.0.0.0:520", true)]
#[case::unspecified_ipv6("[::]:520", true)]
#[case::unspecified_mapped("[::ffff:0.0.0.0]:520", true)]
#[case::another_computer("192.0.2.7:520", false)]
#[case::another_computer_ipv6("[2001:db8::7]:520", false)]
fn a_module_on_this_computer_is_known(#[case] address: &str, #[case] here: bool) {
    let sheets = ["tcp", "rtu_over_tcp"].map(|key| link(&format!("{key} = \"{address}\"")));
    for sheet in sheets {
        let module = Module::of(&sheet).expect("an address");
        assert_eq!(module.wire().is_on_this_computer(), here, "{address}");
        // What the lock takes for this computer is on this computer.
        assert!(here || module.common_name(&at("127.0.0.1:520")).is_none(), "{address}");
    }
}

#[test]
fn a_port_by_any_path_is_one_module() {
    let (_master, port) = crate::device::terminal();
    let other = std::env::temp_dir().join(format!("tripbench-module-{}", std::process::id()));
    symlink(&port, &other).expect("a link");
    let held = at_port(&port).lock().expect("free");
    let refused = at_port(&other).lock().expect_err("taken").to_string();
    assert!(refused.contains(&*other.to_string_lossy()), "{refused}");
    drop(held);
    drop(at_port(&other).lock().expect("free again"));
    remove_file(other).expect("the link");
}

/// Nothing of the lock is seen in another network namespace but the lock of the open port.
#[rstest]
fn a_port_that_is_open_in_another_network_namespace_is_taken(#[values(false, true)] opened_here: bool) {
    let (_master, port) = crate::device::terminal();
    let module = at_port(&port);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let Place::Port(line, _) = &module.place else { panic!("a port") };
    let here = opened_here.then(|| runtime.block_on(line.open()).expect("it opens"));
    let there = std::fs::File::options().read(true).write(true).open(&port).expect("it opens");
    assert_eq!(there.try_lock().is_err(), opened_here, "the other one is kept away");
    if opened_here {
        drop(module.lock().expect("this process has it"));
        drop(runtime.block_on(line.open()).expect("it opens a second time"));
        assert!(there.try_lock().is_err(), "the first is still open");
        drop(here);
        there.try_lock().expect("free again");
    } else {
        // The other one is exclusive, as that of a program that is not tripbench.
        let refused = module.lock().expect_err("taken");
        assert!(matches!(refused, LockError::PortInUse { .. }), "{refused}");
        assert!(module.lock().is_err(), "whoever is refused has the lock no longer than the error");
        drop(refused);
        there.try_lock_shared().expect("its own");
        let refused = module.lock().expect_err("taken").to_string();
        assert!(refused.contains("perhaps in a container"), "{refused}");
        assert!(runtime.block_on(line.open()).is_err());
        drop(there);
        drop(module.lock().expect("free again"));
    }
}

/// The host name leads to another computer from the second time on. Every connection goes to the first one.
#[test]
fn a_host_name_is_resolved_once() {
    for key in ["tcp", "rtu_over_tcp"] {
        let (first, second) = (listener(), listener());
        let asked = Cell::new(0);
        let lookup = |name: &str| {
            assert_eq!(name, "module.example:1502");
            asked.set(asked.get() + 1);
            let leads_to = if asked.get() == 1 { &first } else { &second };
            Ok(vec![leads_to.local_addr().expect("an address")])
        };
        let sheet = link(&format!("{key} = \"module.example:1502\""));
        let module = Module::looked_up(&sheet, lookup).expect("an address");
        let _lock = module.lock().expect("free");
        let mut wire = module.accepting(Duration::from_secs(1)).expect("a connection");
        let mut again = wire.again();
        let query = Query { unit: 1, request: Request::Read { area: Area::Coil, start: 0, count: 1 } };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let clock = Clock::start();
            // Nobody answers, so each request connects afresh.
            for _ in 0..2 {
                assert!(wire.transact(&query, &clock).await.is_err());
                assert!(again.transact(&query, &clock).await.is_err());
            }
        });
        let connections = std::iter::from_fn(|| first.accept().ok()).count();
        let elsewhere = second.accept().map_err(|error| error.kind());
        assert_eq!((connections, asked.get()), (5, 1), "{key}");
        assert_eq!(elsewhere.err(), Some(ErrorKind::WouldBlock), "{key}");
    }
}

#[test]
fn the_first_address_that_accepts_a_connection_is_used() {
    let (closed, open) = (listener(), listener());
    let [nobody, there] = [&closed, &open].map(|one| one.local_addr().expect("an address"));
    drop(closed);
    let [module, other] = [format!("{nobody} {there}"), format!("{there} {nobody}")].map(|all| at(&all));
    for module in [&module, &other] {
        let wire = module.accepting(Duration::from_secs(1)).expect("a connection");
        assert!(format!("{wire:?}").contains(&there.to_string()), "{wire:?}");
    }
    drop(open);
    let refused = module.accepting(Duration::from_secs(1)).expect_err("nobody").kind();
    assert_eq!(refused, ErrorKind::ConnectionRefused);
}
