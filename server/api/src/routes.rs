//! Every service of the API on one table of routes.
//!
//! It stands here and not where the port is opened, so that what a service is made of is compiled once, with the services.

use packloft_proto::v1;
use tonic::codec::CompressionEncoding;
use tonic::service::Routes;

use crate::Api;
use crate::limits::MESSAGE_MAX_BYTES;

macro_rules! limited {
    ($service:ident :: $server:ident, $api:expr) => {
        v1::$service::$server::new($api.clone())
            .max_decoding_message_size(MESSAGE_MAX_BYTES)
            .accept_compressed(CompressionEncoding::Gzip)
            .send_compressed(CompressionEncoding::Gzip)
    };
}

/// The routes with all services of the API.
pub fn with_services(routes: Routes, api: &Api) -> Routes {
    routes
        .add_service(limited!(setup_service_server::SetupServiceServer, api))
        .add_service(limited!(intake_service_server::IntakeServiceServer, api))
        .add_service(limited!(lot_service_server::LotServiceServer, api))
        .add_service(limited!(gear_service_server::GearServiceServer, api))
        .add_service(limited!(lift_service_server::LiftServiceServer, api))
        .add_service(limited!(run_service_server::RunServiceServer, api))
        .add_service(limited!(pallet_service_server::PalletServiceServer, api))
        .add_service(limited!(store_service_server::StoreServiceServer, api))
        .add_service(limited!(dispatch_service_server::DispatchServiceServer, api))
        .add_service(limited!(import_service_server::ImportServiceServer, api))
        .add_service(limited!(check_service_server::CheckServiceServer, api))
        .add_service(limited!(recall_service_server::RecallServiceServer, api))
        .add_service(limited!(quality_service_server::QualityServiceServer, api))
        .add_service(limited!(trace_service_server::TraceServiceServer, api))
        .add_service(limited!(figure_service_server::FigureServiceServer, api))
        .add_service(limited!(label_service_server::LabelServiceServer, api))
        .add_service(limited!(document_service_server::DocumentServiceServer, api))
        .add_service(limited!(journal_service_server::JournalServiceServer, api))
}
