// Package strictyaml reads the YAML files that people write: a rig's configuration,
// channel maps, rigs files and campaigns. It decodes YAML into structs and finds every
// problem of a file at once, each with file, line and column, the key, and what would
// be right. It does not know what the keys mean: the packages that own a file add
// their own problems at a key's position with Addf. It opens no file and knows no
// clock and no network.
package strictyaml
