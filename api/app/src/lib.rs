//! The program around the rooms of the service: command line, what is mounted where, the OpenAPI document, the day's page,
//! alerts of all features, the private cluster and the demo.
#![recursion_limit = "256"]

pub mod alerts;
mod answers;
pub mod app;
pub mod cli;
pub mod cluster;
pub mod connections;
mod day;
pub mod demo;
pub mod deprecation;
mod door;
mod find;
mod first_result;
mod flat;
mod guard;
mod head;
mod heap;
pub mod migrate;
pub mod openapi;
pub mod operations;
mod printed;
pub mod routes;
pub mod tls;
mod witness;
