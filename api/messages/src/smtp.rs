//! E-mail by SMTP (RFC 5321), with TLS where the settings ask for it.

use std::time::Duration;

use lettre::message::Mailbox;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParametersBuilder};
use lettre::{AsyncSmtpTransport, AsyncTransport as _, Message, Tokio1Executor};
use secrecy::ExposeSecret as _;

use crate::mail;
use crate::store::SettingsRow;
use crate::store::outbox::MessageRow;

/// A server that takes longer for a step is away.
const STEP: Duration = Duration::from_secs(10);
/// A message that takes longer in all is given back.
const WHOLE: Duration = Duration::from_secs(20);
/// Longest answer that is kept.
const LONGEST_ANSWER: usize = 400;

/// The laboratory's mail server.
pub(crate) struct Server {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    sender: Mailbox,
}

/// A text on one line, not endless.
fn line(text: &str) -> String {
    let plain = text.split_whitespace().collect::<Vec<_>>().join(" ");
    plain.chars().filter(|c| !c.is_control()).take(LONGEST_ANSWER).collect()
}

/// An error with every cause, for the last one says what is wrong with a certificate.
fn causes(error: &dyn std::error::Error) -> String {
    let mut words: Vec<String> = Vec::new();
    for cause in std::iter::successors(Some(error), |error| error.source()) {
        let text = cause.to_string();
        // Most say their cause themselves.
        if !words.last().is_some_and(|before| before.contains(&text)) {
            words.push(text);
        }
    }
    line(&words.join(": "))
}

impl Server {
    /// As the settings name it.
    ///
    /// # Errors
    /// In words, what keeps it from being spoken to.
    pub(crate) fn of(settings: &SettingsRow, roots: &[Certificate]) -> Result<Self, String> {
        let parameters = || {
            let mut parameters = TlsParametersBuilder::new(settings.host.clone());
            for root in roots {
                parameters = parameters.add_root_certificate(root.clone());
            }
            parameters.build().map_err(|error| causes(&error))
        };
        let tls = match settings.encryption.as_str() {
            "STARTTLS" => Tls::Required(parameters()?),
            "TLS" => Tls::Wrapper(parameters()?),
            _ => Tls::None,
        };
        let port = u16::try_from(settings.port).map_err(|error| error.to_string())?;
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(settings.host.clone())
            .port(port)
            .tls(tls)
            .timeout(Some(STEP));
        if let (Some(name), Some(password)) = (&settings.user_name, mail::opened(settings)?) {
            builder = builder.credentials(Credentials::new(name.clone(), password.expose_secret().to_owned()));
        }
        let sender = settings.sender.parse::<Mailbox>().map_err(|error| causes(&error))?;
        Ok(Self { transport: builder.build(), sender })
    }

    /// Sends a message; what the server answered.
    ///
    /// # Errors
    /// In words, why it was not taken.
    pub(crate) async fn send(&self, row: &MessageRow) -> Result<String, String> {
        let to = row.address.as_deref().unwrap_or_default();
        let to = to.parse::<Mailbox>().map_err(|error| causes(&error))?;
        // The same at every try, so that a receiver can tell a message that came twice.
        let id = format!("<{}@{}>", row.id, self.sender.email.domain());
        // RFC 3834: nobody answers it with an absence note.
        let automatic = HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".to_owned());
        let message = Message::builder()
            .from(self.sender.clone())
            .to(to)
            .subject(row.subject.clone())
            .date(row.made_at.into())
            .message_id(Some(id))
            .raw_header(automatic)
            .header(ContentType::TEXT_PLAIN)
            .body(row.body.clone())
            .map_err(|error| causes(&error))?;
        match tokio::time::timeout(WHOLE, self.transport.send(message)).await {
            Ok(Ok(answer)) => {
                let words = answer.message().collect::<Vec<_>>().join(" ");
                Ok(line(&format!("{} {words}", answer.code())))
            }
            Ok(Err(error)) => Err(causes(&error)),
            Err(_late) => Err(format!("no answer within {} s", WHOLE.as_secs())),
        }
    }
}
