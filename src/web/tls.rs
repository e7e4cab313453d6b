//! The pages' own certificate.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// Where certificate and key are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Papers {
    /// The certificate and those that lead to its authority, PEM.
    pub certificate: PathBuf,
    /// Its key, PEM.
    pub key: PathBuf,
}

/// Reads them. Blocks while it reads.
///
/// # Errors
/// A file that cannot be read or does not hold what it should, with its path.
pub fn acceptor(papers: &Papers) -> Result<TlsAcceptor, String> {
    let chain = chain(&papers.certificate)?;
    let key = PrivateKeyDer::from_pem_file(&papers.key)
        .map_err(|error| format!("`{}` holds no private key in PEM ({error})", papers.key.display()))?;
    // Chosen here and not by a process-wide default: ring is the only provider built in.
    let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS cannot be set up: {error}"))?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(|error| {
            let (certificate, key) = (papers.certificate.display(), papers.key.display());
            format!("`{certificate}` and `{key}` do not go together ({error})")
        })?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

fn chain(path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let chain: Vec<_> = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect)
        .map_err(|error| format!("cannot read certificates from `{}`: {error}", path.display()))?;
    if chain.is_empty() { Err(format!("`{}` holds no certificate in PEM", path.display())) } else { Ok(chain) }
}
