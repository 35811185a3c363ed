//! Which paths there are. What is served is registered from these lists, and tests hold the contract against them.

use actix_web::http::Method;
use actix_web::{FromRequest, Handler, HttpResponse, Responder, Route, web};

use super::error::ApiError;

/// A path with the methods that it takes.
pub(super) struct Path {
    pattern: &'static str,
    routes: Vec<(Method, Route)>,
}

impl Path {
    /// A path that takes nothing yet.
    pub(super) fn at(pattern: &'static str) -> Path {
        Path { pattern, routes: Vec::new() }
    }

    /// Takes GET.
    pub(super) fn get<F, Args>(self, handler: F) -> Path
    where
        F: Handler<Args>,
        Args: FromRequest + 'static,
        F::Output: Responder + 'static,
    {
        self.with(Method::GET, web::get().to(handler))
    }

    /// Takes POST.
    pub(super) fn post<F, Args>(self, handler: F) -> Path
    where
        F: Handler<Args>,
        Args: FromRequest + 'static,
        F::Output: Responder + 'static,
    {
        self.with(Method::POST, web::post().to(handler))
    }

    /// Takes PUT.
    pub(super) fn put<F, Args>(self, handler: F) -> Path
    where
        F: Handler<Args>,
        Args: FromRequest + 'static,
        F::Output: Responder + 'static,
    {
        self.with(Method::PUT, web::put().to(handler))
    }

    fn with(mut self, method: Method, route: Route) -> Path {
        self.routes.push((method, route));
        self
    }

    fn methods(&self) -> Vec<&str> {
        self.routes.iter().map(|(method, _)| method.as_str()).collect()
    }
}

/// Registers paths in their order. Any other method of a path is told which ones there are.
pub(super) fn register(services: &mut web::ServiceConfig, paths: Vec<Path>) {
    for path in paths {
        let allow = path.methods().join(", ");
        let routes = path.routes.into_iter().map(|(_, route)| route);
        let resource = routes.fold(web::resource(path.pattern), actix_web::Resource::route);
        services.service(resource.default_service(web::to(move || {
            let allow = allow.clone();
            async move { Err::<HttpResponse, ApiError>(ApiError::Method { allow: allow.into() }) }
        })));
    }
}

/// One operation that is served.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Served {
    /// Whether it is served on the operators' address alone.
    pub for_operators: bool,
    /// The method, as HTTP writes it.
    pub method: String,
    /// The path, with its parameters in braces.
    pub pattern: &'static str,
}

/// Every operation of both addresses.
#[must_use]
pub fn served() -> Vec<Served> {
    let listed = |for_operators: bool, paths: Vec<Path>| {
        paths.into_iter().flat_map(move |path| {
            let pattern = path.pattern;
            let served = move |(method, _): (Method, Route)| Served {
                for_operators,
                method: method.as_str().to_owned(),
                pattern,
            };
            path.routes.into_iter().map(served)
        })
    };
    let open = [super::fhir_paths(), super::pages::paths(), super::health_paths()];
    let mut all: Vec<Served> = open.into_iter().flat_map(|paths| listed(false, paths)).collect();
    all.extend(listed(true, super::operations_paths()));
    all
}
