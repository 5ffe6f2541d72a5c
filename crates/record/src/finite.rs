//! Checks that every number in a value is finite. JSON cannot represent NaN or infinity, and `null` in their place would mean something
//! else.

use serde::ser::{self, Error as _, Serialize};
use serde_json::Error;

/// Checks every number in a value.
///
/// # Errors
/// If a number is not finite.
pub(crate) fn all_finite<T: Serialize + ?Sized>(value: &T) -> Result<(), Error> {
    value.serialize(Finite)
}

/// A serializer that checks numbers and writes nothing.
#[derive(Debug, Clone, Copy)]
struct Finite;

/// Methods for values that contain no floating-point number.
macro_rules! nothing_wrong {
    ($($method:ident: $kind:ty),* $(,)?) => {
        $(fn $method(self, _: $kind) -> Result<(), Error> {
            Ok(())
        })*
    };
}

impl ser::Serializer for Finite {
    type Ok = ();
    type Error = Error;
    type SerializeSeq = Self;
    type SerializeTuple = Self;
    type SerializeTupleStruct = Self;
    type SerializeTupleVariant = Self;
    type SerializeMap = Self;
    type SerializeStruct = Self;
    type SerializeStructVariant = Self;

    nothing_wrong! {
        serialize_bool: bool, serialize_i8: i8, serialize_i16: i16, serialize_i32: i32, serialize_i64: i64, serialize_u8: u8,
        serialize_u16: u16, serialize_u32: u32, serialize_u64: u64, serialize_char: char, serialize_str: &str, serialize_bytes: &[u8],
        serialize_unit_struct: &'static str,
    }

    fn serialize_f32(self, value: f32) -> Result<(), Error> {
        self.serialize_f64(f64::from(value))
    }

    fn serialize_f64(self, value: f64) -> Result<(), Error> {
        if value.is_finite() { Ok(()) } else { Err(Error::custom(format!("JSON cannot represent {value}"))) }
    }

    fn serialize_none(self) -> Result<(), Error> {
        Ok(())
    }

    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<(), Error> {
        value.serialize(self)
    }

    fn serialize_unit(self) -> Result<(), Error> {
        Ok(())
    }

    fn serialize_unit_variant(self, _: &'static str, _: u32, _: &'static str) -> Result<(), Error> {
        Ok(())
    }

    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        value: &T,
    ) -> Result<(), Error> {
        value.serialize(self)
    }

    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        value: &T,
    ) -> Result<(), Error> {
        value.serialize(self)
    }

    fn serialize_seq(self, _: Option<usize>) -> Result<Self, Error> {
        Ok(self)
    }

    fn serialize_tuple(self, _: usize) -> Result<Self, Error> {
        Ok(self)
    }

    fn serialize_tuple_struct(self, _: &'static str, _: usize) -> Result<Self, Error> {
        Ok(self)
    }

    fn serialize_tuple_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, Error> {
        Ok(self)
    }

    fn serialize_map(self, _: Option<usize>) -> Result<Self, Error> {
        Ok(self)
    }

    fn serialize_struct(self, _: &'static str, _: usize) -> Result<Self, Error> {
        Ok(self)
    }

    fn serialize_struct_variant(
        self,
        _: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Self, Error> {
        Ok(self)
    }
}

/// Implementations for compound values, which check each element, and each key of a map.
macro_rules! within {
    ($($kind:ident { $($method:ident($($key:ty)?)),* }),* $(,)?) => {
        $(impl ser::$kind for Finite {
            type Ok = ();
            type Error = Error;

            $(fn $method<T: Serialize + ?Sized>(&mut self, $(_: $key,)? value: &T) -> Result<(), Error> {
                value.serialize(Self)
            })*

            fn end(self) -> Result<(), Error> {
                Ok(())
            }
        })*
    };
}

within! {
    SerializeSeq { serialize_element() },
    SerializeTuple { serialize_element() },
    SerializeTupleStruct { serialize_field() },
    SerializeTupleVariant { serialize_field() },
    SerializeMap { serialize_key(), serialize_value() },
    SerializeStruct { serialize_field(&'static str) },
    SerializeStructVariant { serialize_field(&'static str) },
}
