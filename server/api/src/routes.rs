//! Every service of the API on one table of routes, and its methods by their paths.
//!
//! It stands here and not where the port is opened, so that what a service is made of is compiled once, with the services.

use packloft_proto::call::Method;
use packloft_proto::v1;
use tonic::codec::CompressionEncoding;
use tonic::service::Routes;

use crate::Api;
use crate::limits::MESSAGE_MAX_BYTES;

/// All services: `module::Server => name`.
macro_rules! services {
    ($($module:ident :: $server:ident => $name:ident,)*) => {
        /// The services, for whoever calls their methods in the process.
        pub struct Services {
            $($name: v1::$module::$server<Api>,)*
        }

        impl Services {
            /// Services over an API.
            pub fn new(api: &Api) -> Services {
                Services { $($name: v1::$module::$server::new(api.clone()),)* }
            }

            /// The method of one request and one answer at a path, `/service/method`.
            pub fn method(&self, path: &str) -> Option<Method> {
                let service = path.strip_prefix('/')?.split('/').next()?;
                $(
                    if service == <v1::$module::$server<Api> as tonic::server::NamedService>::NAME {
                        return self.$name.method(path);
                    }
                )*
                None
            }
        }

        /// The routes with all services of the API.
        pub fn with_services(routes: Routes, api: &Api) -> Routes {
            routes
                $(
                    .add_service(
                        v1::$module::$server::new(api.clone())
                            .max_decoding_message_size(MESSAGE_MAX_BYTES)
                            .accept_compressed(CompressionEncoding::Gzip)
                            .send_compressed(CompressionEncoding::Gzip),
                    )
                )*
        }
    };
}

services! {
    setup_service_server::SetupServiceServer => setup,
    intake_service_server::IntakeServiceServer => intake,
    lot_service_server::LotServiceServer => lot,
    gear_service_server::GearServiceServer => gear,
    lift_service_server::LiftServiceServer => lift,
    run_service_server::RunServiceServer => run,
    pallet_service_server::PalletServiceServer => pallet,
    store_service_server::StoreServiceServer => store,
    dispatch_service_server::DispatchServiceServer => dispatch,
    import_service_server::ImportServiceServer => import,
    check_service_server::CheckServiceServer => check,
    recall_service_server::RecallServiceServer => recall,
    quality_service_server::QualityServiceServer => quality,
    trace_service_server::TraceServiceServer => trace,
    figure_service_server::FigureServiceServer => figure,
    label_service_server::LabelServiceServer => label,
    document_service_server::DocumentServiceServer => document,
    journal_service_server::JournalServiceServer => journal,
}
