//! How much of a body is taken, and how long it may take: before anything of it is kept.

use std::future::Future;
use std::time::Duration;

use actix_web::HttpRequest;
use actix_web::dev::Payload;
use actix_web::http::header::CONTENT_LENGTH;
use futures_util::StreamExt;
use tokio::sync::{Semaphore, SemaphorePermit};
use tokio::time::{Instant, timeout_at};

use crate::auth::current_user;
use crate::refusal::{Code, Refusal};

/// Largest body of somebody who is not signed in, bytes; a name and a password are less.
pub const STRANGERS_LIMIT: usize = 8 * 1024;

/// Bodies above [`LARGE`] that are read at the same time.
static LARGE_READINGS: Semaphore = Semaphore::const_new(4);
/// A body that may be larger than this takes one of the places for large ones, bytes.
const LARGE: usize = 1024 * 1024;

/// The longest pause between two pieces of a body.
const PAUSE: Duration = Duration::from_secs(10);
/// The longest that a body may take if it is small.
const WHOLE: Duration = Duration::from_secs(20);
/// The same for a large one: 16 MiB in two minutes are 1.1 Mbit/s.
const WHOLE_LARGE: Duration = Duration::from_secs(120);

/// Bounds of a body.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    /// Bytes.
    pub limit: usize,
    announced: Option<usize>,
    begun: Instant,
}

impl Bounds {
    /// Bounds of a request's body: so many bytes, and fewer of somebody who is not signed in.
    #[must_use]
    pub fn of(request: &HttpRequest, limit: usize) -> Self {
        let limit = if current_user::is_known(request) { limit } else { limit.min(STRANGERS_LIMIT) };
        let announced = request.headers().get(CONTENT_LENGTH).and_then(|value| value.to_str().ok()?.parse().ok());
        Self { limit, announced, begun: Instant::now() }
    }

    /// Refuses a body whose announced length is too much.
    ///
    /// # Errors
    /// [`Code::TooLarge`].
    pub fn announced(&self) -> Result<(), Refusal> {
        match self.announced {
            Some(length) if length > self.limit => Err(self.too_large()),
            _ => Ok(()),
        }
    }

    /// What a body beyond the limit is told.
    #[must_use]
    pub fn too_large(&self) -> Refusal {
        Refusal::new(Code::TooLarge, format!("this operation takes at most {} bytes", self.limit))
    }

    /// A place to read a large body in; none is needed for a small one.
    ///
    /// # Errors
    /// [`Code::Busy`] if none is free for some seconds.
    pub async fn place(&self) -> Result<Option<SemaphorePermit<'static>>, Refusal> {
        if self.limit <= LARGE || self.announced.is_some_and(|length| length <= LARGE) {
            return Ok(None);
        }
        let full = |_| Refusal::new(Code::Busy, "several large files are being received; try again in a moment");
        match timeout_at(Instant::now() + PAUSE, LARGE_READINGS.acquire()).await {
            Ok(place) => place.map(Some).map_err(Refusal::internal),
            Err(elapsed) => Err(full(elapsed)),
        }
    }

    /// The next piece of a body, in time.
    ///
    /// # Errors
    /// [`Code::TooSlow`].
    pub async fn in_time<T>(&self, piece: impl Future<Output = T>) -> Result<T, Refusal> {
        let whole = if self.limit > LARGE { WHOLE_LARGE } else { WHOLE };
        let end = (self.begun + whole).min(Instant::now() + PAUSE);
        timeout_at(end, piece).await.map_err(|elapsed| {
            let detail = format!(
                "a request body must arrive within {} s, with no pause longer than {} s",
                whole.as_secs(),
                PAUSE.as_secs()
            );
            Refusal::new(Code::TooSlow, detail).because(elapsed)
        })
    }

    /// The whole body.
    ///
    /// # Errors
    /// [`Code::TooLarge`], [`Code::TooSlow`], [`Code::Unreadable`] if it broke off.
    pub async fn collect(self, mut payload: Payload) -> Result<Vec<u8>, Refusal> {
        self.announced()?;
        let _place = self.place().await?;
        let mut bytes = Vec::with_capacity(self.announced.unwrap_or(0).min(64 * 1024));
        while let Some(chunk) = self.in_time(payload.next()).await? {
            let chunk = chunk.map_err(|error| Refusal::new(Code::Unreadable, "the body broke off").because(error))?;
            if bytes.len() + chunk.len() > self.limit {
                return Err(self.too_large());
            }
            bytes.extend_from_slice(&chunk);
        }
        Ok(bytes)
    }
}
