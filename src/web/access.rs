//! Who may do what: each route states who may use it, beside its handler, and
//! nothing is reached without passing the guard. The same list is the table
//! that the tests try cell by cell.

use axum::Router;
use axum::extract::{Request, State};
use axum::handler::Handler;
use axum::http::Method;
use axum::middleware::{self, Next};
use axum::response::Response;
use axum::routing::{MethodRouter, get, post};

use super::extract::FormLimits;
pub use super::rights::Access;
use super::visitor::{self, Visitor};
use super::{App, Error};

/// One route: method, path, who may use it, and what answers.
pub struct Route {
    /// Method.
    pub method: Method,
    /// Path pattern as axum writes it.
    pub path: &'static str,
    /// Who may use it.
    pub access: Access,
    /// The most that a form sent to it may hold.
    pub limits: FormLimits,
    answer: MethodRouter<App>,
}

impl Route {
    /// A page or a file.
    pub fn get<H, T>(access: Access, path: &'static str, handler: H) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        Self {
            method: Method::GET,
            path,
            access,
            limits: FormLimits::of(access),
            answer: get(handler),
        }
    }

    /// A form.
    pub fn post<H, T>(access: Access, path: &'static str, handler: H) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        Self {
            method: Method::POST,
            path,
            access,
            limits: FormLimits::of(access),
            answer: post(handler),
        }
    }

    /// The same, with forms of at most this size.
    pub fn holding(self, limits: FormLimits) -> Self {
        Self { limits, ..self }
    }
}

/// Builds the router: every route behind its guard.
pub fn guarded(app: &App, routes: Vec<Route>) -> Router<App> {
    routes.into_iter().fold(Router::new(), |router, route| {
        let duty = (app.clone(), route.access, route.limits);
        let guard = middleware::from_fn_with_state(duty, guard);
        router.route(route.path, route.answer.route_layer(guard))
    })
}

async fn guard(
    State((_, access, limits)): State<(App, Access, FormLimits)>,
    mut request: Request,
    next: Next,
) -> Result<Response, Error> {
    let visitor = request
        .extensions()
        .get::<std::sync::Arc<Visitor>>()
        .cloned()
        .ok_or(Error::Broken(
            "a request came past the middleware".to_owned(),
        ))?;
    if access.allows(visitor.role()) {
        request.extensions_mut().insert(limits);
        return Ok(next.run(request).await);
    }
    if let Some(person) = &visitor.person {
        let route = request.extensions().get::<axum::extract::MatchedPath>();
        let route = route
            .map(axum::extract::MatchedPath::as_str)
            .unwrap_or_default();
        tracing::warn!(person = %person.id, role = person.role.slug(), route, "refused: not for this role");
        if visitor.held_back && access == Access::Coordinator {
            return Err(Error::SecondFactorFirst);
        }
        return Err(Error::NotAllowed(access));
    }
    let unsent = visitor::unsent_form(&mut request).await;
    Err(Error::SignInFirst(unsent))
}
