//! Where operations are mounted: in the service alone, or in the document that describes it, too.

use actix_web::dev::HttpServiceFactory;
use actix_web::web::ServiceConfig;
use utoipa::openapi::path::Paths;
use utoipa::openapi::{RefOr, Schema};
use utoipa_actix_web::OpenApiFactory;

/// What becomes of an operation besides being mounted.
pub trait Describe {
    /// Takes note of an operation below a path.
    fn describe(&mut self, prefix: &str, operation: &impl OpenApiFactory);
}

/// Nothing: the service hands out the committed document. A program that only serves is linked without the code that makes the
/// document, an eighth of its size.
#[derive(Debug, Clone, Copy)]
pub struct Served;

impl Describe for Served {
    fn describe(&mut self, _prefix: &str, _operation: &impl OpenApiFactory) {}
}

/// Its description is kept, for the document.
#[derive(Default)]
pub struct Described {
    /// Operations by their paths.
    pub paths: Paths,
    /// What they take and give, by name.
    pub schemas: Vec<(String, RefOr<Schema>)>,
}

impl Describe for Described {
    fn describe(&mut self, prefix: &str, operation: &impl OpenApiFactory) {
        operation.schemas(&mut self.schemas);
        let mut paths = operation.paths();
        paths.paths = std::mem::take(&mut paths.paths)
            .into_iter()
            .map(|(path, item)| (format!("{prefix}{path}"), item))
            .collect();
        self.paths.merge(paths);
    }
}

/// Where a feature mounts its operations.
pub struct Mount<'a, D> {
    config: &'a mut ServiceConfig,
    described: &'a mut D,
    prefix: &'a str,
}

impl<'a, D: Describe> Mount<'a, D> {
    /// At the root.
    pub fn new(config: &'a mut ServiceConfig, described: &'a mut D) -> Self {
        Self { config, described, prefix: "" }
    }

    /// Mounts an operation.
    pub fn service(&mut self, operation: impl HttpServiceFactory + OpenApiFactory + 'static) -> &mut Self {
        self.described.describe(self.prefix, &operation);
        self.config.service(operation);
        self
    }

    /// Mounts what a feature mounts.
    pub fn configure(&mut self, routes: impl FnOnce(&mut Mount<'_, D>)) -> &mut Self {
        routes(self);
        self
    }

    /// Mounts operations below a path.
    pub fn scope(&mut self, path: &str, routes: impl FnOnce(&mut Mount<'_, D>)) -> &mut Self {
        let prefix = format!("{}{path}", self.prefix);
        let described = &mut *self.described;
        let scope =
            actix_web::web::scope(path).configure(|config| routes(&mut Mount { config, described, prefix: &prefix }));
        self.config.service(scope);
        self
    }

    /// What the handlers of these operations may ask for.
    pub fn app_data<T: 'static>(&mut self, data: T) -> &mut Self {
        self.config.app_data(data);
        self
    }
}
