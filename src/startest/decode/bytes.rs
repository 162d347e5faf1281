//! Where bytes come from: a plain file that can be skipped through, or a
//! gzip stream that is unpacked as it is read.

use std::io::{self, BufRead, BufReader, ErrorKind, Read, Seek, SeekFrom};
use std::time::Instant;

use flate2::bufread::GzDecoder;

use super::error::{OutOfBudget, OutOfTime};
use super::{DecodeError, Format, Limits};

/// What [`FrameReader`](super::FrameReader) reads from.
pub(super) trait Source: Read + Seek + Send {}
impl<T: Read + Seek + Send> Source for T {}

/// So often may a decoder read a file over; none that is sound needs more than a
/// look at its tables and then its data.
const TIMES_OVER: u64 = 4;
/// And so much more, for small files.
const OVER_BYTES: u64 = 1 << 20;
/// So many bytes may come out of gzip for each that went in: more than any sensor's
/// frames give, whose noise does not pack.
const UNPACKED_PER_BYTE: u64 = 30;
/// And so much more: one large picture that is all of one value.
const UNPACKED_BYTES: u64 = 128 << 20;
/// A gzip file may have so many members, and one more for each so many bytes.
const MEMBERS: u64 = 1000;
const BYTES_PER_MEMBER: u64 = 4096;
/// The time is looked at once in so many bytes.
const LOOK_EVERY: u64 = 1 << 20;

/// The file as decoders read it: it hands out its bytes a few times over and no more,
/// since strips, tables and previews of one file may all point at the same bytes.
pub(super) struct Input {
    inner: BufReader<Box<dyn Source>>,
    left: u64,
    until_look: u64,
    deadline: Option<Instant>,
}

impl Input {
    /// Of `length` bytes.
    pub fn new(source: Box<dyn Source>, length: u64, limits: &Limits) -> Self {
        Self {
            inner: BufReader::with_capacity(64 * 1024, source),
            left: length.saturating_mul(TIMES_OVER).saturating_add(OVER_BYTES),
            until_look: LOOK_EVERY,
            deadline: limits.deadline,
        }
    }

    fn spend(&mut self, bytes: u64) -> io::Result<()> {
        self.left = self
            .left
            .checked_sub(bytes)
            .ok_or_else(|| io::Error::other(OutOfBudget))?;
        match self.until_look.checked_sub(bytes) {
            Some(left) => self.until_look = left,
            None => {
                self.until_look = LOOK_EVERY;
                if self.deadline.is_some_and(|end| Instant::now() > end) {
                    return Err(io::Error::other(OutOfTime));
                }
            }
        }
        Ok(())
    }
}

impl Read for Input {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        // A read of nothing is a step too.
        self.spend(read.max(1) as u64)?;
        Ok(read)
    }
}

impl BufRead for Input {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        self.spend(1)?;
        self.inner.fill_buf()
    }

    fn consume(&mut self, count: usize) {
        // An empty budget is told by the next read.
        self.left = self.left.saturating_sub(count as u64);
        self.inner.consume(count);
    }
}

impl Seek for Input {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.spend(1)?;
        self.inner.seek(to)
    }
}

/// A one-way stream that counts what went by and never passes its limit.
pub(super) struct Stream {
    kind: Kind,
    position: u64,
    limit: u64,
    deadline: Option<Instant>,
}

enum Kind {
    Plain {
        input: Input,
        length: u64,
    },
    /// One member at a time; `None` only while the next is begun.
    Gzip {
        member: Option<Box<GzDecoder<Input>>>,
        members: u64,
    },
}

impl Stream {
    /// A plain file of `length` bytes, read from its start.
    pub fn plain(input: Input, length: u64) -> Self {
        Self {
            kind: Kind::Plain { input, length },
            position: 0,
            limit: u64::MAX,
            deadline: None,
        }
    }

    /// A gzip file (RFC 1952, several members allowed) of `length` bytes, refused when
    /// more comes out than the limits or its own length allow.
    pub fn gzip(input: Input, length: u64, limits: &Limits) -> Self {
        let worth = length
            .saturating_mul(UNPACKED_PER_BYTE)
            .saturating_add(UNPACKED_BYTES);
        Self {
            kind: Kind::Gzip {
                member: Some(Box::new(GzDecoder::new(input))),
                members: 1,
            },
            position: 0,
            limit: limits.max_bytes.min(worth),
            deadline: limits.deadline,
        }
    }

    /// Bytes left, when that can be known without reading them.
    pub fn left(&self) -> Option<u64> {
        match &self.kind {
            Kind::Plain { length, .. } => Some(length.saturating_sub(self.position)),
            Kind::Gzip { .. } => None,
        }
    }

    /// Fills as much of `buffer` as there is; fewer bytes mean the end.
    pub fn fill(&mut self, buffer: &mut [u8]) -> Result<usize, DecodeError> {
        let mut filled = 0;
        while filled < buffer.len() {
            let read = match &mut self.kind {
                Kind::Plain { input, .. } => input.read(&mut buffer[filled..]),
                Kind::Gzip { member, members } => {
                    if self.deadline.is_some_and(|end| Instant::now() > end) {
                        return Err(DecodeError::OutOfTime);
                    }
                    unpack(member, members, self.position, &mut buffer[filled..])
                }
            };
            match read {
                Ok(0) => break,
                Ok(count) => {
                    filled += count;
                    self.position += count as u64;
                    if self.position > self.limit {
                        return Err(DecodeError::FileTooLarge {
                            limit_bytes: self.limit,
                            unpacked: true,
                        });
                    }
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(self.explain(error)),
            }
        }
        Ok(filled)
    }

    /// Goes `count` bytes on. False when the stream ends before that.
    pub fn skip(&mut self, count: u64) -> Result<bool, DecodeError> {
        if let Kind::Plain { input, length } = &mut self.kind {
            if count > length.saturating_sub(self.position) {
                return Ok(false);
            }
            self.position += count;
            return input
                .seek(SeekFrom::Start(self.position))
                .map(|_| true)
                .map_err(|error| DecodeError::of_io(&error));
        }
        let mut left = count;
        let mut waste = [0_u8; 16 * 1024];
        while left > 0 {
            let want = left.min(waste.len() as u64) as usize;
            let got = self.fill(&mut waste[..want])?;
            if got < want {
                return Ok(false);
            }
            left -= got as u64;
        }
        Ok(true)
    }

    fn explain(&self, error: io::Error) -> DecodeError {
        match (&self.kind, error.kind()) {
            (_, ErrorKind::UnexpectedEof) => DecodeError::Truncated {
                what: "the packed data stop before their end mark".into(),
            },
            (Kind::Gzip { .. }, ErrorKind::InvalidInput | ErrorKind::InvalidData) => {
                DecodeError::Damaged {
                    format: Format::Fits,
                    why: format!("gzip: {error}"),
                }
            }
            _ => DecodeError::of_io(&error),
        }
    }
}

/// Reads on in a gzip file, from member to member.
fn unpack(
    member: &mut Option<Box<GzDecoder<Input>>>,
    members: &mut u64,
    position: u64,
    buffer: &mut [u8],
) -> io::Result<usize> {
    while let Some(decoder) = member {
        let read = decoder.read(buffer)?;
        if read > 0 || buffer.is_empty() {
            return Ok(read);
        }
        let Some(done) = member.take() else { break };
        let mut input = done.into_inner();
        if input.fill_buf()?.is_empty() {
            break;
        }
        *members += 1;
        if *members > MEMBERS + position / BYTES_PER_MEMBER {
            return Err(io::Error::other(OutOfBudget));
        }
        *member = Some(Box::new(GzDecoder::new(input)));
    }
    Ok(0)
}
