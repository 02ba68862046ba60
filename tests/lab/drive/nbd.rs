//! The network block device protocol, as much of it as QEMU's client asks for.
//!
//! Source of numbers and order: the protocol's public description (`doc/proto.md` of the reference
//! implementation): fixed new style negotiation, simple replies.

use std::io::{self, BufReader, BufWriter, Read, Write};
use std::os::unix::net::UnixStream;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::Instant;

use super::queue::{Answer, Request, Work};
use super::{Condition, Shared};

const GREETING: &[u8; 8] = b"NBDMAGIC";
const OPTION: u64 = 0x4948_4156_454F_5054;
const OPTION_REPLY: u64 = 0x0003_e889_0455_65a9;
const REQUEST: u32 = 0x2560_9513;
const REPLY: u32 = 0x6744_6698;

/// Fixed new style, and no padding after a name.
const HANDSHAKE: u16 = 0b11;
/// Flags are told; flushes are understood.
const TRANSMISSION: u16 = 0b101;

const OPTION_NAME: u32 = 1;
const OPTION_ABORT: u32 = 2;
const OPTION_INFO: u32 = 6;
const OPTION_GO: u32 = 7;
const REPLY_ACKNOWLEDGED: u32 = 1;
const REPLY_INFO: u32 = 3;
const REPLY_UNSUPPORTED: u32 = 0x8000_0001;

const READ: u16 = 0;
const WRITE: u16 = 1;
const DISCONNECT: u16 = 2;
const FLUSH: u16 = 3;

/// EIO in the protocol's numbers.
const ERROR_IO: u32 = 5;

/// Answers one connection until it ends.
pub(super) fn serve(stream: UnixStream, drive: &Arc<Shared>) -> io::Result<()> {
    let mut reader = BufReader::with_capacity(1 << 20, stream.try_clone()?);
    let mut writer = BufWriter::with_capacity(1 << 20, stream);
    if !negotiate(&mut reader, &mut writer, drive.model.bytes)? {
        return Ok(());
    }
    let (answer, answers) = channel();
    let replying = thread::spawn(move || reply(writer, &answers));
    loop {
        if number::<4>(&mut reader).map(u32::from_be_bytes)? != REQUEST {
            return Err(io::Error::other("no request"));
        }
        let [_flags, kind] = [number::<2>(&mut reader)?, number::<2>(&mut reader)?];
        let handle = u64::from_be_bytes(number(&mut reader)?);
        let offset = u64::from_be_bytes(number(&mut reader)?);
        let bytes = u32::from_be_bytes(number(&mut reader)?);
        let work = match u16::from_be_bytes(kind) {
            READ => Work::Read(bytes),
            WRITE => {
                let mut content = vec![0; bytes as usize];
                reader.read_exact(&mut content)?;
                Work::Write(content)
            }
            DISCONNECT => break,
            FLUSH => {
                // Each write has reached its place before it is answered.
                let well = *drive.condition.lock().unwrap() != Condition::Failing;
                let content = well.then(Vec::new);
                drop(answer.send(Answer { handle, content }));
                continue;
            }
            _ => return Err(io::Error::other("a request that was not offered")),
        };
        drive.queue.push(Request {
            offset,
            work,
            handle,
            answer: answer.clone(),
            arrived: Instant::now(),
        });
    }
    drop(answer);
    replying
        .join()
        .map_err(|_| io::Error::other("the answering thread panicked"))?
}

/// Agrees on the one drive there is; false where the client went away.
fn negotiate(reader: &mut impl Read, writer: &mut impl Write, size: u64) -> io::Result<bool> {
    writer.write_all(GREETING)?;
    writer.write_all(&OPTION.to_be_bytes())?;
    writer.write_all(&HANDSHAKE.to_be_bytes())?;
    writer.flush()?;
    let _flags = number::<4>(reader)?;
    loop {
        if u64::from_be_bytes(number(reader)?) != OPTION {
            return Err(io::Error::other("no option"));
        }
        let option = u32::from_be_bytes(number(reader)?);
        let length = u32::from_be_bytes(number(reader)?);
        let mut data = vec![0; length as usize];
        reader.read_exact(&mut data)?;
        let mut say = |kind: u32, data: &[u8]| -> io::Result<()> {
            writer.write_all(&OPTION_REPLY.to_be_bytes())?;
            writer.write_all(&option.to_be_bytes())?;
            writer.write_all(&kind.to_be_bytes())?;
            writer.write_all(&u32::try_from(data.len()).unwrap().to_be_bytes())?;
            writer.write_all(data)
        };
        match option {
            OPTION_INFO | OPTION_GO => {
                let mut export = vec![0, 0];
                export.extend(size.to_be_bytes());
                export.extend(TRANSMISSION.to_be_bytes());
                say(REPLY_INFO, &export)?;
                say(REPLY_ACKNOWLEDGED, &[])?;
            }
            OPTION_NAME => {
                writer.write_all(&size.to_be_bytes())?;
                writer.write_all(&TRANSMISSION.to_be_bytes())?;
            }
            OPTION_ABORT => {
                say(REPLY_ACKNOWLEDGED, &[])?;
                writer.flush()?;
                return Ok(false);
            }
            _ => say(REPLY_UNSUPPORTED, &[])?,
        }
        writer.flush()?;
        if matches!(option, OPTION_GO | OPTION_NAME) {
            return Ok(true);
        }
    }
}

/// Passes answers on as they come.
fn reply(mut writer: impl Write, answers: &Receiver<Answer>) -> io::Result<()> {
    while let Ok(first) = answers.recv() {
        let mut next = Some(first);
        while let Some(Answer { handle, content }) = next {
            let error = if content.is_none() { ERROR_IO } else { 0 };
            writer.write_all(&REPLY.to_be_bytes())?;
            writer.write_all(&error.to_be_bytes())?;
            writer.write_all(&handle.to_be_bytes())?;
            writer.write_all(&content.unwrap_or_default())?;
            next = answers.try_recv().ok();
        }
        writer.flush()?;
    }
    Ok(())
}

fn number<const N: usize>(reader: &mut impl Read) -> io::Result<[u8; N]> {
    let mut bytes = [0; N];
    reader.read_exact(&mut bytes)?;
    Ok(bytes)
}
