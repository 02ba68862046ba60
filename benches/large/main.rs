//! Studies of a year, and of a tenth and a hundredth of it: how long `show`, `compare` and `report` take,
//! how much memory, how large the page is, and how that grows; and how fast made-up time goes by.
//!
//! `cargo bench --bench large [-- PERCENT...]` makes each study in a folder for the time being, from one
//! seed, and lets the program of this build work on it. Wall time is that of the machine as it is, with
//! whatever else runs there; processor time is the program's own. The slope is that of the straight line
//! through the logarithms of size and processor time: 1 is linear growth. Memory is the largest resident
//! set that the kernel counted (`wait4`).
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    clippy::print_stdout,
    reason = "a benchmark reads clocks, starts the program, and prints what it found"
)]

mod made;
mod measured;

use std::path::Path;
use std::process::{Command, Stdio};

use made::Size;
use measured::{Run, run, run_heard};

type Anyhow = Box<dyn std::error::Error>;

/// The word by which this program starts itself to make a study.
const MAKING: &str = "--make";
/// Runs of each command; medians are told.
const RUNS: usize = 3;
/// Starts of the program for the time that starting takes.
const STARTS: usize = 50;
/// What is asked for at full size: seconds of each command.
const GOALS: [(&str, f64); 3] = [("show", 0.5), ("compare", 2.0), ("report", 5.0)];
/// Of `report`: bytes of memory and of the page.
const MEMORY: u64 = 300_000_000;
const PAGE: u64 = 3_000_000;

fn main() -> Result<(), Anyhow> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [making, folder, part] = arguments.as_slice()
        && making == MAKING
    {
        return made::make(Path::new(folder), Size::of(part.parse()?));
    }
    let percents: Vec<f64> = arguments
        .iter()
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let percents = match percents.is_empty() {
        true => vec![1.0, 10.0, 100.0],
        false => percents,
    };
    let place = tempfile::tempdir()?;
    let mut found: Vec<(f64, [Run; 3])> = Vec::new();
    println!("| size | files | command | wall | processor | memory | page | |");
    println!("| ---: | ---: | --- | ---: | ---: | ---: | ---: | --- |");
    for percent in percents {
        let folder = place.path().join("study");
        let bytes = make(&folder, percent / 100.0)?;
        let mut runs = Vec::new();
        for (command, goal) in GOALS {
            let run = median(command, &folder)?;
            let page = match command {
                "report" => Some(std::fs::metadata(folder.join("reports/report.html"))?.len()),
                _ => None,
            };
            let missed = percent >= 100.0 && run.wall > goal;
            let large = percent >= 100.0 && command == "report" && run.memory > MEMORY;
            let long = percent >= 100.0 && page.is_some_and(|page| page > PAGE);
            let verdict = match (missed, large, long) {
                (false, false, false) => "",
                (true, _, _) => "too slow",
                (_, true, _) => "too much memory",
                (_, _, true) => "page too large",
            };
            println!(
                "| {percent} % | {} MB | {command} | {:.2} s | {:.2} s | {} MB | {} | {verdict} |",
                bytes / 1_000_000,
                run.wall,
                run.processor,
                run.memory / 1_000_000,
                page.map_or(String::new(), |page| format!("{:.2} MB", page as f64 / 1e6)),
            );
            runs.push(run);
        }
        std::fs::remove_dir_all(&folder)?;
        found.push((percent, runs.try_into().map_err(|_| "three commands")?));
    }
    slopes(&found);
    demo(place.path())?;
    start()
}

/// Makes a study, in a process of its own; its bytes in all. A process that is started from one that was
/// large counts as that large itself.
fn make(folder: &Path, part: f64) -> Result<u64, Anyhow> {
    let mut program = Command::new(std::env::current_exe()?);
    run(program.arg(MAKING).arg(folder).arg(part.to_string()))?;
    let mut bytes = 0;
    for entry in std::fs::read_dir(folder)? {
        bytes += entry?.metadata()?.len();
    }
    Ok(bytes)
}

/// The run with the median of processor times.
fn median(command: &str, folder: &Path) -> Result<Run, Anyhow> {
    let mut runs = Vec::new();
    for _ in 0..RUNS {
        let mut program = Command::new(env!("CARGO_BIN_EXE_poolproof"));
        program.arg(command).arg(folder);
        runs.push(run(&mut program)?);
    }
    runs.sort_by(|a, b| a.processor.total_cmp(&b.processor));
    Ok(runs.swap_remove(RUNS / 2))
}

/// The slope of processor time over size, both as logarithms: over all sizes, and between the two
/// largest, where the cost of starting at all counts less.
fn slopes(found: &[(f64, [Run; 3])]) {
    if found.len() < 2 {
        return;
    }
    println!();
    for (index, (command, _)) in GOALS.iter().enumerate() {
        let point = |(percent, runs): &(f64, [Run; 3])| (percent.ln(), runs[index].processor.ln());
        let points: Vec<(f64, f64)> = found.iter().map(point).collect();
        let all = slope(&points);
        let last = slope(&points[points.len() - 2..]);
        println!("{command}: slope {all:.2} over all sizes, {last:.2} between the two largest");
    }
}

fn slope(points: &[(f64, f64)]) -> f64 {
    let mean =
        |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / points.len() as f64;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let across: f64 = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum();
    across / points.iter().map(|p| (p.0 - x).powi(2)).sum::<f64>()
}

/// How long it takes to start at all, and how large the program is.
fn start() -> Result<(), Anyhow> {
    let program = env!("CARGO_BIN_EXE_poolproof");
    let mut runs = (0..STARTS)
        .map(|_| run(Command::new(program).arg("--help")))
        .collect::<Result<Vec<Run>, Anyhow>>()?;
    runs.sort_by(|a, b| a.wall.total_cmp(&b.wall));
    println!(
        "--help: {:.1} ms (median of {STARTS}), at least {:.1} ms; the program has {:.1} MB",
        runs[STARTS / 2].wall * 1e3,
        runs[0].wall * 1e3,
        std::fs::metadata(program)?.len() as f64 / 1e6
    );
    Ok(())
}

/// How much made-up time goes by in a second of the demo: of all of it, its tables and its page included, and
/// of the reshape, with the watch and the sittings beside it.
fn demo(place: &Path) -> Result<(), Anyhow> {
    let folder = place.join("demo");
    let mut program = Command::new(env!("CARGO_BIN_EXE_poolproof"));
    program.arg("demo").arg(&folder).stderr(Stdio::piped());
    let (mut grows, mut grown) = (None, None);
    let run = run_heard(&mut program, &mut |line, used| {
        if line.contains("the array reshapes") {
            grows.get_or_insert(used);
        } else if line.contains("the reshape has finished") {
            grown.get_or_insert(used);
        }
    })?;
    let used = grown.zip(grows).map(|(grown, grows)| grown - grows);
    let used = used.ok_or("the demo says when its reshape begins and ends")?;
    let study = poolproof::store::read(&folder)?;
    let readings = study.progress.first().zip(study.progress.last());
    let (first, last) = readings.ok_or("the demo follows its reshape")?;
    let trials = study.trials.first().zip(study.trials.last());
    let (begin, end) = trials.ok_or("the demo has trials")?;
    let reshape = last.at.duration_since(first.at).as_secs_f64();
    let all = end.started.duration_since(begin.started).as_secs_f64();
    println!(
        "\ndemo: {:.2} s, processor {:.2} s, with {} trials and {} probes; its {:.0} h are {:.0} times real time",
        run.wall,
        run.processor,
        study.trials.len(),
        study.probes.len(),
        all / 3600.0,
        all / run.processor,
    );
    println!(
        "its reshape of {:.0} h took {used:.2} s of processors, {:.0} times real time",
        reshape / 3600.0,
        reshape / used
    );
    Ok(())
}
