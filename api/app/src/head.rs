//! HEAD answers as GET does, without the body (RFC 9110, 9.3.2), wherever there is a GET.

use std::pin::Pin;
use std::task::{Context, Poll};

use actix_web::Error;
use actix_web::body::{BodySize, BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::middleware::Next;
use actix_web::web::Bytes;

/// The length of a body that is not sent.
struct Length(BodySize);

impl MessageBody for Length {
    type Error = std::convert::Infallible;

    fn size(&self) -> BodySize {
        self.0
    }

    fn poll_next(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Option<Result<Bytes, Self::Error>>> {
        Poll::Ready(None)
    }
}

/// Middleware: asks as GET. The server itself sends no body to HEAD, but would go on making it: a stream of events has no end.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn as_get(
    mut request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    if request.method() != Method::HEAD {
        return Ok(next.call(request).await?.map_into_boxed_body());
    }
    request.head_mut().method = Method::GET;
    let response = next.call(request).await?;
    Ok(response.map_body(|_, body| BoxBody::new(Length(body.size()))))
}
