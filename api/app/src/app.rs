//! The one constructor of the application, used by the program and by the tests.

use std::sync::Arc;

use actix_web::http::header::ALLOW;
use actix_web::middleware::{Compress, from_fn};
use actix_web::{App, HttpServer, ResponseError, web};
use ferrotitre_base::auth::current_user;
use ferrotitre_base::auth::tokens::TokenKeys;
use ferrotitre_base::config::{Policy, Settings};
use ferrotitre_base::db::{Db, StoreAddress};
use ferrotitre_base::metrics::Metrics;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::mount::{Mount, Served};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::request;
use ferrotitre_html::readable;
use ferrotitre_html::shell::InTheClear;
use ferrotitre_ledger::audit::receipts;
use ferrotitre_ledger::audit::seal::{SealKey, Sealing};
use ferrotitre_ledger::set_up::SetUp;
use ferrotitre_messages::Courier;

use crate::alerts::Stopping;
use crate::connections::Connections;
use crate::deprecation;
use crate::door::{self, Names};
use crate::guard;
use crate::head;
use crate::openapi;
use crate::routes;
use crate::tls::Certificates;

/// What every worker shares.
#[derive(Clone)]
pub struct Shared {
    /// The store.
    pub store: StoreAddress,
    /// Keys of access tokens.
    pub token_keys: TokenKeys,
    /// Key of the audit log's tree heads.
    pub seal_key: SealKey,
    /// Whether this process seals.
    pub sealing: Sealing,
    /// Request counters.
    pub metrics: web::Data<Metrics>,
    /// Settings the services read.
    pub policy: Policy,
    /// Certificates, where the service speaks TLS itself.
    pub tls: Option<Arc<Certificates>>,
    /// Set when the program stops.
    pub stopping: Stopping,
    /// What an empty store begins with.
    pub set_up: SetUp,
    /// Speaks to mail servers, for messages that try the settings.
    pub courier: Courier,
}

/// Starts the server; it serves once the returned future is polled.
///
/// # Errors
/// The address cannot be bound.
pub fn server(settings: &Settings, shared: Shared) -> std::io::Result<(actix_web::dev::Server, std::net::SocketAddr)> {
    let workers = settings
        .workers
        .map_or_else(|| std::thread::available_parallelism().map_or(2, std::num::NonZero::get), usize::from);
    let document = web::Data::new(openapi::Document::new());
    let announced = web::Data::new(document.announced.clone());
    let names = web::Data::new(Names::new(&settings.hosts, settings.tls.speaks(settings.listen)));
    let shared_tls = shared.tls.clone();
    let in_the_clear = settings.tls.in_the_clear(settings.listen);
    let connections = Connections::new(shared.policy.proxies);
    let server = HttpServer::new(move || {
        let app = App::new().configure(|config| routes::routes(&mut Mount::new(config, &mut Served)));
        let app = match Db::for_worker(&shared.store) {
            Ok(db) => app.app_data(web::Data::new(db)),
            Err(error) => {
                tracing::error!(%error, "the connection pool could not be set up");
                app
            }
        };
        app.app_data(web::Data::new(shared.token_keys.clone()))
            .app_data(web::Data::new(shared.seal_key.clone()))
            .app_data(web::Data::new(shared.sealing.clone()))
            .app_data(web::Data::new(shared.policy))
            .app_data(web::Data::new(shared.stopping.clone()))
            .app_data(web::Data::new(shared.set_up.clone()))
            .app_data(web::Data::new(shared.courier.clone()))
            .app_data(shared.metrics.clone())
            .app_data(document.clone())
            .app_data(announced.clone())
            .app_data(names.clone())
            .app_data(web::Data::new(InTheClear(in_the_clear)))
            .app_data(web::Data::new(shared.tls.clone()))
            .configure(openapi::pages)
            .route("/authority.pem", web::get().to(authority))
            .configure(routes::pages)
            .default_service(web::to(no_such_path))
            .wrap(from_fn(deprecation::announce))
            .wrap(from_fn(guard::guard))
            .wrap(from_fn(current_user::resolve))
            .wrap(from_fn(receipts::promise))
            .wrap(from_fn(request::track))
            // Outside the one that gives problem documents their request id, which the page shows.
            .wrap(from_fn(readable::readable))
            .wrap(from_fn(door::door))
            // Outermost: the request id goes into problem documents before they are compressed.
            .wrap(Compress::default())
            // Before all of them, so that HEAD is GET to each.
            .wrap(from_fn(head::as_get))
    })
    .workers(workers)
    // A client that has left is noticed, and what it asked for is given up: a calculation ends, a transaction is undone.
    .h1_allow_half_closed(false)
    .shutdown_timeout(10)
    .on_connect(move |stream, extensions| connections.admit(stream, extensions));
    let server = match &shared_tls {
        Some(tls) => server.bind_rustls_0_23(settings.listen, tls.config().map_err(std::io::Error::other)?)?,
        None => server.bind(settings.listen)?,
    };
    let address = server.addrs().first().copied().unwrap_or(settings.listen);
    Ok((server.run(), address))
}

/// The certificate of the service's own authority, for browsers that should trust it. What it is worth its fingerprint says, which
/// the operator reads at the start.
async fn authority(tls: web::Data<Option<Arc<Certificates>>>) -> Result<actix_web::HttpResponse, Problem> {
    let own = tls.as_ref().as_ref().and_then(|tls| tls.authority());
    let none = || Refusal::new(Code::NotFound, "this service has no authority of its own");
    Ok(actix_web::HttpResponse::Ok().content_type("application/x-pem-file").body(own.ok_or_else(none)?.pem.clone()))
}

async fn no_such_path(
    request: actix_web::HttpRequest,
    document: web::Data<openapi::Document>,
) -> Result<actix_web::HttpResponse, Problem> {
    let asked = format!("{} {}", request.method(), request.path());
    let allowed = request.match_pattern().and_then(|pattern| document.allowed(&pattern).map(str::to_owned));
    let Some(allowed) = allowed else {
        return Err(Refusal::new(Code::NotFound, format!("there is nothing at {asked}")).into());
    };
    let refusal = Refusal::new(Code::MethodNotAllowed, format!("{asked} does not exist; this path takes {allowed}"));
    let mut response = Problem(refusal).error_response();
    if let Ok(value) = allowed.parse() {
        response.headers_mut().insert(ALLOW, value);
    }
    Ok(response)
}
