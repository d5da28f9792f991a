export function PairingPanel() {
  return <p />;
}
