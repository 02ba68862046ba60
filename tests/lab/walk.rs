//! A laboratory to walk about in: lines from standard input go to a machine, as `server mdadm --version`.

use std::io::BufRead as _;
use std::time::Duration;

use crate::drive::Condition;
use crate::lab::{Lab, Plan};
use crate::pool::{Layout, drives};
use crate::proof::{Study, Told};
use crate::share::Share;

/// `cargo test --test lab walk -- --ignored --nocapture`, then type.
#[test]
#[ignore = "for people: reads what to do from standard input"]
fn walk() {
    let lab = Lab::start(&Plan {
        server_memory: 640,
        client_memory: 512,
        drives: drives(6, 600 << 20),
    })
    .unwrap();
    lab.hurry(true);
    Layout::Raid6.make(&lab, 4).unwrap();
    lab.hurry(false);
    Share::SmbStrict.serve(&lab).unwrap();
    Share::SmbStrict.mount(&lab).unwrap();
    Study::new(&lab, Layout::Raid6, 4, 600 << 20, Told::Counters, 640).unwrap();
    crate::tool::say("the laboratory is up: server LINE, client LINE, fail N, well N, cut, totals");
    for line in std::io::stdin().lock().lines().map_while(Result::ok) {
        let (who, what) = line.split_once(' ').unwrap_or((&line, ""));
        let said = match who {
            "server" | "client" => {
                let machine = if who == "server" {
                    &lab.server
                } else {
                    &lab.client
                };
                let output = machine.output(what, Duration::from_secs(3600));
                output.map(|o| format!("{}{}-> {}", o.out, o.err, o.code))
            }
            "fail" | "well" => what
                .parse()
                .map_err(|_| "which?".into())
                .map(|index: usize| {
                    let condition = if who == "fail" {
                        Condition::Failing
                    } else {
                        Condition::Well
                    };
                    lab.drives[index].set(condition);
                    String::new()
                }),
            "cut" => lab.server.power_cycle().map(|()| "up again".into()),
            _ => Ok(format!("{:?}", lab.totals(0..6))),
        };
        crate::tool::say(&said.unwrap_or_else(|why| why));
    }
}
