//! What every feature shares at the edge of HTTP: reading requests, writing answers and problems.

pub mod answer;
pub mod body;
pub mod bounds;
pub mod decimal;
pub mod heavy;
pub mod json;
pub mod mount;
pub mod paging;
pub mod problem;
pub mod request;
pub mod versions;
